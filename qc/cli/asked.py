"""What `check`, `diagnose` and `deliver` are asked alike, and their one way from a record to verdicts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from qc.cli.progress import bar
from qc.cli.warm import warm

if TYPE_CHECKING:
    import numpy as np

    from qc.chain import Progress
    from qc.errors import RefusedFile
    from qc.limits import Limits
    from qc.neighbours import Neighbour
    from qc.record import Record
    from qc.run import Result
    from qc.station import Station
    from qc.write.summary import Period


Reading = Callable[["Progress"], tuple["Record", Sequence["RefusedFile"]]]
"""Reads a record, given what moves the progress bar; and what it refused."""


@dataclass(frozen=True)
class Asked:
    """Station, limits and period, and what else verdicts depend on."""

    station: Station
    limits: Limits
    span: Period
    future: np.datetime64 | None
    beside: Sequence[Neighbour]


def asked(
    station_file: Path,
    rules_file: Path | None,
    neighbours: Sequence[Path],
    *,
    first: str | None = None,
    last: str | None = None,
    as_of: str | None = None,
) -> Asked:
    """All of it from the words of the command line, before any table is read.

    Raises
    ------
    FairvaneError
        if the station file, a rule, a time or a neighbour cannot be used.
    """
    from qc import run
    from qc.moments import moment, period
    from qc.neighbours import read
    from qc.station import load

    station = load(station_file)
    limits = run.limits_of(station, rules_file)
    span = period(first, last, station)
    future = moment(as_of, station, last=True, what="--as-of") if as_of is not None else None
    return Asked(station, limits, span, future, read(neighbours, station))


def checked(wanted: Asked, read: Reading, *, silent: bool) -> Result:
    """The verdicts: `read` is called with a progress bar, files that it refuses are named, then the chain runs."""
    from qc import run

    warm()
    with bar("reading", quiet=silent) as progress:
        record, refused = read(progress)
    name_refused(refused)
    with bar("checking", quiet=silent) as progress:
        return run.check_record(
            record, wanted.limits, period=wanted.span, as_of=wanted.future, refused=refused, progress=progress,
            neighbours=wanted.beside,
        )  # fmt: skip


def of_files(wanted: Asked, tables: Sequence[Path]) -> Reading:
    """Reads table files."""
    from qc.read.tables import read_tables

    return lambda progress: read_tables(wanted.station, tables, progress=progress)


def name_refused(refused: Iterable[RefusedFile]) -> None:
    """A line on standard error for each file that could not be read."""
    for error in refused:
        click.echo(f"fairvane: {error.line()}", err=True)
