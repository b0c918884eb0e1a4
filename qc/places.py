"""Where `rules/` and `sample_data/` lie: inside the wheel, or beside `qc/` in an editable install."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """Path of the data folder `name` (`rules` or `sample_data`)."""
    for place in (_HERE / name, _HERE.parent / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder {name} of Fairvane is missing: install the package again")
