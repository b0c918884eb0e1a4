"""Start-up is a feature: help, and looking into the package, load nothing heavy."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from qc.cli import COMMANDS

HEAVY = {"pandas", "pyarrow", "pvlib", "metpy", "numpy", "pydantic", "pandera", "pint", "scipy", "tomlkit", "xarray"}
HEAVY |= {"matplotlib"}
TELL = """
import atexit, json, sys
def tell():
    print(json.dumps(sorted({m.split(".")[0] for m in sys.modules})), file=sys.stderr)
atexit.register(tell)
"""


def _loaded(program: str, *arguments: str) -> set[str]:
    """Packages that a process of its own has loaded at its end."""
    done = subprocess.run(
        [sys.executable, "-c", TELL + program, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-1000:]
    return set(json.loads(done.stderr.splitlines()[-1]))


RUN = "from qc.cli import main\nmain()\n"


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], *([c, "--help"] for c in COMMANDS)], ids=" ".join)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    assert importlib.util.find_spec("numpy"), "else this would prove nothing"
    loaded = _loaded(RUN, *arguments)
    assert "click" in loaded
    assert not loaded & HEAVY


@pytest.mark.parametrize(
    "module", ["qc", "qc.errors", "qc.limits", "qc.quantities", "qc.tomlfile", "qc.durations", "qc.cli"]
)
def test_light_modules(module: str) -> None:
    assert not _loaded(f"import {module}") & HEAVY


def test_rules_as_shipped_need_no_tables() -> None:
    """`fairvane rules` looks at limits alone."""
    assert not _loaded(RUN, "rules", "--quiet") & {"pvlib", "metpy", "pint", "scipy", "tomlkit", "xarray"}


def test_public_names_are_there_and_others_are_not() -> None:
    import qc

    assert all(callable(getattr(qc, name)) for name in qc.__all__ if name != "__version__")
    with pytest.raises(AttributeError, match="no attribute 'chekc'"):
        _ = qc.chekc
