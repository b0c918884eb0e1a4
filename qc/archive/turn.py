"""Whose turn it is to write a store: workers that outlive their run must not write beside the next one.

A task holds `busy` in common while it runs, and runs only if `turn` holds its run's token. A run takes `busy` for
itself before it changes `turn`: so it waits for a task that a dead run left, and that run's other tasks end at once.
"""

from __future__ import annotations

import contextlib
import fcntl
from collections.abc import Callable
from pathlib import Path
from typing import Any

from qc.archive.raw import replace_bytes
from qc.errors import OutputError


def begun(store: Path, token: str) -> None:
    """Take the turn; waits for tasks of an earlier run that are still at work."""
    with (store / "busy").open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        for left in store.glob(".turn.*.part"):
            with contextlib.suppress(FileNotFoundError):
                left.unlink()
        replace_bytes(store / "turn", token.encode("ascii"))


def taken(store: Path, token: str, function: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    """Run a task of a run.

    Raises
    ------
    OutputError
        if another run has begun since.
    """
    with (store / "busy").open("a") as file:
        fcntl.flock(file, fcntl.LOCK_SH)
        if (store / "turn").read_bytes() != token.encode("ascii"):
            raise OutputError("another run has begun since", where=str(store), mend="let it do the rest")
        return function(*arguments)
