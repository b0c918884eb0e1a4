"""Where the open data lies that is not part of the project; tests that need it skip with a word where it is absent."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

FOLDER = Path(os.environ.get("FAIRVANE_SHARED", Path(__file__).resolve().parents[2] / "shared")) / "data"


def shared(name: str = "") -> Path:
    """Path of a file of the open data, or of its folder; skips the test where it is absent."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"open data not at hand: {name or FOLDER.name}")
    return path
