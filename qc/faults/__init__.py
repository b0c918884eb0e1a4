"""The fault book: one file a fault; the folder is the registry.

Each module has a docstring in one shape (what the data show, what happened, how sure one can be, what to check at the
station, what to carry, the caution, what to do with the data) and one `FAULT`. The test of a fault is one pure
function of a Case; its needs, its place in the order of work and its rivals are data; its numbers stand in
`rules/faults/<id>.toml`. Faults never import each other, nor a check.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from qc.mends import Mend
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from qc.case import Case
    from qc.station import Channel, Station

IDS: tuple[str, ...] = (
    "site-facts", "clock-offset", "stamp-side", "channels-swapped", "channels-copied", "channel-open", "unit-wrong",
    "constants-wrong", "sensor-frozen", "bus-dropout", "wet-connector", "supply-disturbed", "brownout",
    "battery-failing", "pyranometer-shaded", "pyranometer-tilted", "pyranometer-scale", "pyranometer-reversed",
    "pyranometer-covered", "pyranometer-soiled", "pyranometer-zero", "tracker-astray", "barometer-reduced",
    "barometer-offset", "barometer-sealed", "shield-heating", "probe-exposed", "hygrometer-ceiling", "hygrometer-wet",
    "vane-stuck", "vane-mirrored", "vane-misaligned", "vane-dead-band", "direction-averaged", "anemometer-stalled",
    "anemometer-iced", "anemometer-scale", "anemometer-sheltered", "gauge-clogged", "gauge-open", "gauge-tip-size",
    "gauge-double-tip", "gauge-noise", "counter-reset",
)  # fmt: skip
"""Ids of the fault book, in the order of contract 7. Ids are never used again."""

RANKS = ("site", "clock", "layout", "wiring", "sensor", "siting")
"""The order of work (contract 6): a later cause is not blamed for an earlier one."""

Grade = Literal["near", "typical", "gross"]
GRADES: tuple[Grade, ...] = ("near", "typical", "gross")
"""How strong an injected fault is: near the threshold of its test, as it is usually met, beyond doubt."""

Go = Literal["remote", "next-visit", "drive"]
Moment = np.datetime64

CAP = 4.0
"""Most that one clue may weigh, in log-odds (judgement: 55 to 1; no single statistic is surer than that of its own
assumptions)."""

SECTIONS = ("Shows", "Happened", "How sure", "Check", "Carry", "Caution", "Data")


@dataclass(frozen=True)
class Clue:
    """One independent piece of evidence: `log_odds` for the fault against a sound station (capped at `CAP`)."""

    name: str
    log_odds: float
    said: str

    @property
    def weight(self) -> float:
        """Its log-odds, capped; evidence that is no number weighs nothing."""
        return float(np.clip(self.log_odds, -CAP, CAP)) if np.isfinite(self.log_odds) else 0.0


@dataclass(frozen=True)
class Suspect:
    """A fault that the data speak for at some channels.

    Parameters
    ----------
    channels : tuple of str
    clues : tuple of Clue
        independent of each other; what follows from another clue is none.
    evidence : mapping
        exactly the keys that contract 7 names for the fault, plain numbers and texts.
    summary : str
        one sentence with numbers and units.
    first, last : datetime64[us] UTC
        first and last stamp that shows it.
    onset : pair of datetime64[us] UTC
        between which two stamps it began; the first row of the table twice where it was there from the start.
    device : str, optional
    rivals : mapping
        other faults of the book that would explain the same clues: their log-odds against a sound station, where
        this test can tell them. Those that have a test of their own need not stand here.
    mend : Mend, optional
        what undoes it.
    spoils : tuple of str
        channels that later tests must not use while it lasts, where no mend undoes it.
    go : str, optional
        overrides that of the fault.
    exhibit : mapping
        arrays that its picture draws.
    """

    channels: tuple[str, ...]
    clues: tuple[Clue, ...]
    evidence: Mapping[str, Any]
    summary: str
    first: Moment
    last: Moment
    onset: tuple[Moment, Moment]
    device: str | None = None
    rivals: Mapping[str, float] = field(default_factory=dict)
    mend: Mend | None = None
    spoils: tuple[str, ...] = ()
    go: Go | None = None
    exhibit: Mapping[str, Any] = field(default_factory=dict)

    @property
    def log_odds(self) -> float:
        """Sum of the clues, without any prior."""
        return sum(clue.weight for clue in self.clues)


@dataclass(frozen=True)
class Cleared:
    """A fault that the data speak against; `why` with numbers and units."""

    channels: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Untested:
    """Why a fault could not be tested; when it can be: a date (UTC, ISO 8601), or what must happen first, or never."""

    channels: tuple[str, ...]
    why: str
    decidable_after: str | None = None


Outcome = Suspect | Cleared | Untested


@dataclass(frozen=True)
class Injection:
    """A fault as it would stand in a station's table.

    Parameters
    ----------
    channels : tuple of str
        where diagnosis should find it; empty for those of all channels.
    values : mapping
        new values by channel in the output unit, shape (n,), NaN for none. The injector prints them with the digits,
        bounds and steps of the logger.
    first : datetime64[us] UTC
        stamp of the first row that it touches.
    last : datetime64[us] UTC
    evidence : mapping
        what the evidence keys should say.
    ahead_s : array, optional
        seconds by which the stamps of the rows are shifted (positive: the clock is ahead), shape (n,).
    station : Station, optional
        the station file that says something else than what the tables hold.
    """

    channels: tuple[str, ...]
    first: Moment
    last: Moment
    evidence: Mapping[str, Any]
    values: Mapping[str, Floats] = field(default_factory=dict)
    ahead_s: Floats | None = None
    station: Station | None = None


@dataclass(frozen=True)
class Fault:
    """One fault of the book.

    Parameters
    ----------
    id : str
    rank : str
        one of `RANKS`.
    needs : tuple of tuple of str
        of each inner tuple at least one quantity must have values in the table.
    least_s : float
        seconds of record below which nothing is tested.
    test : callable
        case -> outcomes; what it says nothing of was not there to test.
    inject : callable
        (case, grade, random numbers) -> Injection, or None where the fault cannot be made from these data.
    picture : callable
        (case, suspect) -> matplotlib Figure.
    keys : tuple of str
        evidence keys (contract 7).
    rivals : mapping
        look-alikes in the book, and in words what would split them.
    go : str
        what to do: remote, next-visit, drive.
    visits : tuple of str
        effects of the visit log after which it is likelier.
    """

    id: str
    rank: str
    needs: tuple[tuple[str, ...], ...]
    least_s: float
    test: Callable[[Case], Sequence[Outcome]]
    inject: Callable[[Case, Grade, np.random.Generator], Injection | None]
    picture: Callable[[Case, Suspect], Figure]
    keys: tuple[str, ...]
    go: Go
    rivals: Mapping[str, str] = field(default_factory=dict)
    visits: tuple[str, ...] = ()


@cache
def registry() -> Mapping[str, Fault]:
    """All faults that have a test, by id, in the order of the contract."""
    found = {}
    for module in pkgutil.iter_modules(__path__):
        fault = importlib.import_module(f"{__name__}.{module.name}").FAULT
        if fault.id.replace("-", "_") != module.name or fault.id not in IDS or fault.rank not in RANKS:
            raise ValueError(f"qc/faults/{module.name}.py holds the fault {fault.id}")
        found[fault.id] = fault
    return {i: found[i] for i in IDS if i in found}


@cache
def doc(fault: str) -> Mapping[str, str]:
    """The parts of a fault's doc by `SECTIONS`, and its first line under `Title`."""
    module = importlib.import_module(f"{__name__}.{fault.replace('-', '_')}")
    return read_doc(module.__doc__ or "")


def read_doc(text: str) -> dict[str, str]:
    """The parts of a doc in the one shape; ValueError where one is missing."""
    title, *rest = re.split(rf"(?m)^({'|'.join(SECTIONS)}):", text.strip())
    parts = {"Title": " ".join(title.split())}
    parts |= {name: " ".join(body.split()) for name, body in zip(rest[::2], rest[1::2], strict=True)}
    if tuple(parts) != ("Title", *SECTIONS) or not all(parts.values()):
        raise ValueError(f"a fault's doc has the parts {', '.join(SECTIONS)}, in this order: {title[:40]}")
    return parts


def steps(fault: str) -> list[str]:
    """What to check at the station, in order: the sentences of `Check`, parted by semicolons."""
    return [step.strip().rstrip(".") for step in doc(fault)["Check"].split(";") if step.strip()]


def onset_row(case: Case, rng: np.random.Generator, *, share: float = 0.5) -> int:
    """A row at random in the first part of a table, for an injected fault to begin at."""
    return int(rng.integers(0, max(1, round(case.rows * share))))


def until(case: Case, channel: Channel, row: int, test: Callable[[Case, Channel], Outcome]) -> Outcome:
    """What the test of one channel says of the record up to a row at which the channel was set right.

    Parameters
    ----------
    case : Case
    channel : Channel
    row : int
        the first that is sound again, above 0.
    test : callable
        (case, channel) -> outcome.

    Returns
    -------
    outcome; a suspect's last stamp, and that of its mend, is the one of the last value before that row.
    """
    outcome = test(case.without((channel.name,), case.time[row], case.last), channel)
    if not isinstance(outcome, Suspect):
        return outcome
    there = np.flatnonzero(np.isfinite(case.values(channel)[:row]))
    last = case.time[int(there[-1]) if len(there) else row - 1]
    mend = None if outcome.mend is None else replace(outcome.mend, last=last)
    return replace(outcome, last=last, mend=mend)
