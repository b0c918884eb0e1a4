"""The whole of a night: reading and checking, diagnosis, digest."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from qc.archive import digest, ledger, nightly, watch
from qc.archive.fleet import Fleet
from qc.archive.workers import Workers
from qc.chain import Progress
from qc.errors import OutputError, printable
from qc.record import SECOND

LATE_US = 26 * 3600 * SECOND
"""How far ahead of now a stamp may be and still count as a station's last row (judgement: a zone set wrongly)."""


@contextlib.contextmanager
def _told(store: Path) -> Iterator[None]:
    """A full or broken disk as one line; what was begun is finished by the next run."""
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        told = getattr(error, "strerror", None) or str(error)
        mend = "make room or mend the disk, and run it again"
        raise OutputError(f"cannot be written ({told})", where=printable(store, 200), mend=mend) from None


@dataclass(frozen=True)
class Done:
    """What a night leaves: the lines of the mail, the digest as a document, whether anything could not be processed."""

    lines: list[str]
    document: dict[str, Any]
    troubled: bool
    seconds: dict[str, float]
    """Of reading, checks and archive; of diagnosis; of the digest."""


def night(fleet: Fleet, workers: Workers, *, night: str, now: datetime, progress: Progress) -> Done:
    """Run one night.

    Parameters
    ----------
    night : str
        date that names it.
    now : datetime with a zone
        what silence is measured by.

    Raises
    ------
    OutputError
        if another run holds the store, or store or outbox cannot be written.
    """
    with nightly.locked(fleet.store), _told(fleet.store):
        clock = [time.perf_counter()]
        now_us = round(now.timestamp() * 1e6)
        run = nightly.run(
            fleet, workers, night=night, until_us=now_us + LATE_US,
            progress=lambda done, total: progress(done, 2 * total),
        )  # fmt: skip
        if run.broken_off:
            digest.sweep(fleet.outbox)
        clock.append(time.perf_counter())
        with contextlib.closing(ledger.connect(fleet.store / "ledger.sqlite")) as connection:
            seen = watch.watch(fleet, connection, run, workers, lambda done, total: progress(total + done, 2 * total))
            clock.append(time.perf_counter())
            changes = seen.changes
            quiet = digest.silences(fleet, connection, run, now_us)
            known = digest.known_troubles(connection, run)
            told = digest.lines(run, changes, quiet, known)
            document = digest.document(run, told, changes, quiet)
            text = digest.html(connection, run, told, changes, quiet)
            digest.write(fleet.outbox / night, told, document, text)
            nightly.ended(connection, run, seen.diagnosed)
    troubled = bool(run.told())
    clock.append(time.perf_counter())
    spans = [round(b - a, 2) for a, b in pairwise(clock)]
    return Done(told, document, troubled, dict(zip(("archive", "diagnosis", "digest"), spans, strict=True)))
