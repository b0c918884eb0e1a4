"""What the processes do that are killed; loaded once, forked many times."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy  # noqa: F401 - loaded before the fork
import pandas  # noqa: F401
import pyarrow.parquet  # noqa: F401
import pydantic  # noqa: F401

import qc.archive.whole
import qc.checks
import qc.read.tables
from qc.archive import digest, fleet, nightly, watch, whole
from qc.archive.workers import Here
from qc.errors import FairvaneError
from tests.archive.fleets import NOON

qc.checks.registry()


STAGES = ("starting", "reading", "computing", "diagnosing", "telling")


def _staged(stage: Any) -> None:
    """Have the number of the stage that a run is in stand in shared memory."""

    def noted(number: int, function: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **more: Any) -> Any:
            stage.value = number
            return function(*given, **more)

        return run

    places = [(nightly, "_ingest"), (nightly, "_compute"), (watch, "watch"), (digest, "silences")]
    for number, (module, name) in enumerate(places, 1):
        setattr(module, name, noted(number, getattr(module, name)))


def night(folder: str, night: str, stage: Any = None) -> None:
    """One night; ends the process with the status of the command."""
    if stage is not None:
        _staged(stage)
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
