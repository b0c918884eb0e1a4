"""Rehearsal: what would diagnosis catch at this very station?

Each fault of the book is planted in the text of the station's own tables, in three grades and from several moments on,
and looked for as any other. What is found in the tables as they are comes first: it is no one's planting.
"""

from __future__ import annotations

import logging
import tempfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from qc import chain
from qc.chain import Checked
from qc.diagnosis import Diagnosis, Finding, case_of, diagnose, linked
from qc.errors import InputError, RefusedFile
from qc.faults import GRADES, Fault, Grade, Injection, Untested, registry
from qc.injection import Files
from qc.record import SECOND, Record
from qc.run import limits_of
from qc.station import Station

_log = logging.getLogger("fairvane")

LONGEST_D = 45.0
"""Days of record that one planting stands in (judgement: most faults of the book show within three weeks)."""

STEPS_D = (0.25, 0.5, 1, 2, 3, 4, 5, 7, 10, 14, 21, 28, 45, 60, 90)
"""Days after the onset at which is looked again."""

ONSETS = 2
"""Plantings for each fault and grade."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Trial:
    """One planting and what came of it.

    Parameters
    ----------
    grade : str
    onset : datetime64[us] UTC
        stamp of the first row that it touches.
    channels : tuple of str
    truth : mapping
        evidence as planted.
    found : bool
        whether the fault stands among the findings, at one of its channels.
    first : bool
        whether no other new finding is surer.
    confidence : float
        of the right finding; 0 where there is none.
    evidence : mapping
        what the right finding says.
    taken_for : str
        id of the surest new finding where that is another fault; empty else.
    days : float, optional
        shortest record after the onset in which it is found first.
    why : str
        why it was not tested or what cleared it, where it was not found.
    """

    grade: Grade
    onset: np.datetime64
    channels: tuple[str, ...]
    truth: Mapping[str, Any]
    found: bool
    first: bool
    confidence: float
    evidence: Mapping[str, Any]
    taken_for: str
    days: float | None
    why: str


@dataclass(frozen=True)
class Rehearsed:
    """One fault at one station: its plantings, or why none was made."""

    fault: Fault
    table: str
    trials: tuple[Trial, ...]
    cannot: str = ""
    after: str | None = None

    def of(self, grade: Grade) -> list[Trial]:
        """Its plantings of one grade."""
        return [t for t in self.trials if t.grade == grade]

    def caught(self, grade: Grade) -> bool:
        """Whether all plantings of a grade were found, and named first."""
        return bool(self.of(grade)) and all(t.first for t in self.of(grade))

    @property
    def smallest(self) -> Grade | None:
        """The smallest grade that is caught, and all above it."""
        for number, grade in enumerate(GRADES):
            if all(self.caught(g) for g in GRADES[number:] if self.of(g)) and self.of(grade):
                return grade
        return None

    def days(self, grade: Grade) -> float | None:
        """Most days that a planting of a grade took to be found; None where one of them was not."""
        found = [t.days for t in self.of(grade)]
        return max((d for d in found if d is not None), default=None) if None not in found else None


@dataclass(frozen=True)
class Rehearsal:
    """A station's rehearsal: what is found in its tables as they are, and each fault of the book."""

    station: Station
    record: Record
    windows: tuple[tuple[np.datetime64, np.datetime64], ...]
    natural: tuple[Finding, ...]
    faults: tuple[Rehearsed, ...]
    refused: tuple[RefusedFile, ...] = ()


@dataclass(frozen=True)
class Window:
    """A piece of a station's tables, as text and as checked, with what is found in it as it is."""

    files: Files
    checked: Checked
    diagnosis: Diagnosis

    @property
    def natural(self) -> frozenset[str]:
        """Ids of what is found there before anything is planted."""
        return frozenset(f.id for f in self.diagnosis.findings)


def window(files: Files, first: np.datetime64, last: np.datetime64) -> Window:
    """The rows of all tables between two stamps, both included, as files of their own."""
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, raw in enumerate(files.cut(first, last)):
            if raw is not None:
                paths.append(Path(folder) / f"{number:04}.csv")
                paths[-1].write_bytes(raw)
        return whole(Files(files.station, paths))


def whole(files: Files) -> Window:
    """Tables checked and diagnosed as they are."""
    if files.refused:
        raise files.refused[0]
    checked = chain.run(files.record, limits_of(files.station))
    return Window(files, checked, diagnose(checked))


def planted(
    here: Window, fault: Fault, grade: Grade, seed: int, table: str | None = None
) -> tuple[str, Injection, Record] | None:
    """A fault put into a window at random: the table, what was planted, the record read again; None where it cannot be.

    Without `table` each one is tried in turn.
    """
    for name in [table] if table else here.files.record.tables:
        case = case_of(here.checked, name)
        if not case.rows or any(case.mate(*quantities) is None for quantities in fault.needs):
            continue
        injection = fault.inject(case, grade, np.random.default_rng(seed))
        if injection is not None:
            bounded = fault.rank in ("sensor", "siting")
            return name, injection, here.files.spoilt(name, injection, bounded=bounded)
    return None


def judged(
    fault: str, channels: Sequence[str], diagnosis: Diagnosis, natural: frozenset[str]
) -> tuple[Finding | None, Finding | None]:
    """The right one among the findings that were not there before, and the surest one; the right one where both are.

    A finding is right where it names the fault at one of the channels.
    """
    new = [f for f in diagnosis.findings if f.id not in natural]
    right = next((f for f in new if f.fault.id == fault and _touches(f, channels)), None)
    surest = max(new, key=lambda f: f.confidence, default=None)
    if right is not None and surest is not None and right.confidence >= surest.confidence:
        surest = right
    return right, surest


def _touches(finding: Finding, channels: Sequence[str]) -> bool:
    own = finding.suspect.channels
    return not own or not channels or bool(set(own) & set(channels))


def cut(record: Record, last: np.datetime64) -> Record:
    """A record up to a stamp, which is included."""
    tables = {n: t.take(slice(0, int(np.searchsorted(t.time, last, side="right")))) for n, t in record.tables.items()}
    return replace(record, tables=tables)


def looked(record: Record, only: Sequence[str] = ()) -> Diagnosis:
    """A record through the chain and diagnosis, with the limits of its own station file."""
    return diagnose(chain.run(record, limits_of(record.station)), only=only)


def trial(here: Window, fault: Fault, grade: Grade, seed: int, *, days: bool = True) -> tuple[str, Trial] | None:
    """Plant a fault once, look for it, and find the shortest record that shows it; None where it cannot be made."""
    made = planted(here, fault, grade, seed)
    if made is None:
        return None
    table, injection, record = made
    found = looked(record)
    right, surest = judged(fault.id, injection.channels, found, here.natural)
    first = right is not None and right is surest
    took = _shortest(record, fault, injection, here.natural) if first and days else None
    why = ""
    if right is None:
        untested = [u.why for i, u in found.not_tested if i == fault.id]
        clear = [
            c.why
            for i, c in found.cleared
            if i == fault.id and (not c.channels or set(c.channels) & set(injection.channels))
        ]
        why = next(iter(untested + clear), "")
    return table, Trial(
        grade,
        injection.first,
        injection.channels,
        dict(injection.evidence),
        right is not None,
        first,
        right.confidence if right else 0.0,
        dict(right.suspect.evidence) if right else {},
        surest.fault.id if surest is not None and surest is not right else "",
        took,
        why,
    )


def _shortest(record: Record, fault: Fault, injection: Injection, natural: frozenset[str]) -> float:
    """Days after the onset from which it is found first, by halving: what is found in some days is found in more."""
    last = max(t.time[-1] for t in record.tables.values() if t.rows)
    span = float((last - injection.first) / np.timedelta64(1, "us")) / SECOND / 86400.0
    steps = [s for s in STEPS_D if s < span] + [round(span, 2)]
    only = [f.id for f in registry().values() if f.id == fault.id or linked(f, fault)]
    low, high = 0, len(steps) - 1
    while low < high:
        middle = (low + high) // 2
        end = injection.first + np.timedelta64(round(steps[middle] * 86400 * SECOND), "us")
        right, surest = judged(fault.id, injection.channels, looked(cut(record, end), only), natural)
        if right is not None and right is surest:
            high = middle
        else:
            low = middle + 1
    return steps[high]


def rehearse(
    station: Station,
    paths: Sequence[Path | str],
    *,
    faults: Sequence[str] = (),
    onsets: int = ONSETS,
    progress: Progress = lambda done, total: None,
) -> Rehearsal:
    """Plant the faults of the book in a station's tables and look for them.

    Parameters
    ----------
    station : Station
    paths : list of path
        healthy tables of it: what is wrong in them is found first, and left in.
    faults : sequence of str
        ids; left out, all of the book.
    onsets : int
        plantings for each fault and grade, each in a piece of `LONGEST_D` days of its own where there are enough.
    progress : callable
        called with plantings done and in all.

    Raises
    ------
    InputError
        if no file could be read or holds a row.
    """
    files = Files(station, paths)
    if not any(t.rows for t in files.record.tables.values()):
        raise InputError("there is no row to plant a fault in", mend="give one of the station's tables")
    spans = _windows(files.record, onsets)
    windows = [window(files, *span) for span in dict.fromkeys(spans)]
    at = dict(zip(dict.fromkeys(spans), windows, strict=True))
    book = [f for f in registry().values() if not faults or f.id in faults]
    total, done = len(book) * len(GRADES) * onsets, 0
    out = []
    for fault in book:
        trials: list[Trial] = []
        table, broke = "", ""
        for grade in GRADES:
            for turn in range(onsets):
                here = at[spans[turn]]
                seed = zlib.crc32(f"{fault.id};{grade};{turn}".encode())
                try:
                    made = trial(here, fault, grade, seed)
                except Exception as error:  # one broken planting never stops the others
                    _log.error("%s, %s: cannot be planted: %s", fault.id, grade, error)
                    _log.debug("traceback", exc_info=True)
                    made, broke = None, f"cannot be planted ({type(error).__name__}); see the log"
                if made is not None and not _there(fault, made[1], here):
                    table = made[0]
                    trials.append(made[1])
                done += 1
                progress(done, total)
        why, after = ("", None) if trials else _cannot(fault, windows, broke)
        out.append(Rehearsed(fault, table, tuple(trials), why, after))
    natural = {f.id: f for here in windows for f in here.diagnosis.findings}
    return Rehearsal(
        station, files.record, tuple(dict.fromkeys(spans)), tuple(natural.values()), tuple(out), tuple(files.refused)
    )


def _there(fault: Fault, one: Trial, here: Window) -> bool:
    """Whether the fault is there already: another one beneath it proves nothing."""
    return any(f.fault.id == fault.id and _touches(f, one.channels) for f in here.diagnosis.findings)


def _cannot(fault: Fault, windows: Sequence[Window], broke: str) -> tuple[str, str | None]:
    """Why no planting was made, and what must happen first."""
    if broke:
        return broke, None
    for here in windows:
        if any(f.fault.id == fault.id for f in here.diagnosis.findings):
            return "is found in the tables as they are", None
    for here in windows:
        for found, untested in here.diagnosis.not_tested:
            if found == fault.id:
                return _told(untested), untested.decidable_after
    return "cannot be made from these tables", None


def _told(untested: Untested) -> str:
    return f"not tested here: {untested.why}"


def _windows(record: Record, onsets: int) -> list[tuple[np.datetime64, np.datetime64]]:
    """The piece of record of each planting: spread evenly, overlapping where the record is short."""
    first = min(t.time[0] for t in record.tables.values() if t.rows)
    last = max(t.time[-1] for t in record.tables.values() if t.rows)
    length = np.timedelta64(round(LONGEST_D * 86400 * SECOND), "us")
    if last - first <= length:
        return [(first, last)] * onsets
    free = (last - first - length).astype(np.int64)
    starts = [first + np.timedelta64(round(free * (k + 0.5) / onsets), "us") for k in range(onsets)]
    return [(start, start + length) for start in starts]
