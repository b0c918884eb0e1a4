"""A station's whole record out of the store, for those who deliver and review."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from qc import logs
from qc.archive import ledger, station
from qc.errors import InputError, printable
from qc.read.source import Look
from qc.record import Record
from qc.station import Station

_MEND = "give the store of a fleet file, in which the station is"


def record_of(
    store: Path, about: Station, first_us: int = -(2**62), last_us: int = 2**62, look: Look | None = None
) -> Record:  # fmt: skip
    """All raw lines of a station as a Record: what `read_tables` over all its files gives, but for paths and accounts,
    which are those of the files that count (one that has grown counts once, as it is).

    Parameters
    ----------
    about : Station
        its station file; it may be newer than the one that the last night used.
    first_us, last_us : int
        times (microseconds UTC, both included) between which rows are wanted; a little more may be given.
    look : Look, optional
        notes where rows came from, as `read_tables` does; give no times with it.

    Raises
    ------
    InputError
        if there is no such store, it does not know the station, or holds no row of it.
    """
    path = store / "ledger.sqlite"
    where = printable(store, 200)
    if not path.is_file():
        raise InputError("is no store: it has no ledger.sqlite", where=where, mend=_MEND)
    try:
        with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            files = ledger.files(connection, about.id)
    except sqlite3.Error as error:
        told = f"its ledger cannot be read ({printable(error, 100)})"
        raise InputError(told, where=where, mend=_MEND) from None
    found = station.record(store, about, logs.read(about), files, first_us, last_us, look=look) if files else None
    if found is None:
        raise InputError(f"holds no row of {about.id}", where=where, mend=_MEND)
    return found
