"""What the processes do that are killed; loaded once, forked many times."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy  # noqa: F401 - loaded before the fork
import pandas  # noqa: F401
import pyarrow.parquet  # noqa: F401
import pydantic  # noqa: F401

import qc.archive.whole
import qc.checks
import qc.read.tables
from qc.archive import fleet, nightly, whole
from qc.archive.workers import Here
from qc.errors import FairvaneError
from tests.archive.fleets import NOON

qc.checks.registry()


def night(folder: str, night: str) -> None:
    """One night; ends the process with the status of the command."""
    found = fleet.load(Path(folder) / "fleet.toml")
    try:
        with Here() as workers:
            done = whole.night(found, workers, night=night, now=NOON, progress=lambda done, total: None)
    except FairvaneError as error:
        print(error.line(), file=sys.stderr)
        sys.exit(error.exit_code)
    except Exception as error:
        print(f"{type(error).__name__}: {error}", file=sys.stderr)
        sys.exit(70)
    sys.exit(1 if done.troubled else 0)


def as_user(folder: str, user: int) -> None:
    """The same as another user."""
    os.setgid(user)
    os.setuid(user)
    night(folder, "2026-05-01")


def hold(store: str) -> None:
    """Hold the lock until killed."""
    with nightly.locked(Path(store)):
        (Path(store).parent / "held").touch()
        time.sleep(600)
