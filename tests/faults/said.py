"""What the test of one fault says of a case, for short tests."""

from __future__ import annotations

import math

import numpy as np

from qc.case import Case
from qc.diagnosis import case_of, score, tested
from qc.faults import Grade, Injection, Outcome, Suspect, registry
from qc.record import Record
from tests.faults.planted import planted, unchecked

LISTED = 0.0
"""Log-odds from which a finding is listed (confidence 0.5)."""


def outcomes(fault: str, case: Case, channel: str | None = None) -> list[Outcome]:
    """All outcomes, or those that touch a channel."""
    found = list(tested(registry()[fault], case))
    return [o for o in found if channel is None or channel in o.channels]


def named(fault: str, case: Case) -> list[Suspect]:
    """Suspects that would be listed, likeliest first."""
    found = [o for o in outcomes(fault, case) if isinstance(o, Suspect)]
    found = [s for s in found if score(registry()[fault], s, case) >= LISTED]
    return sorted(found, key=lambda s: -s.log_odds)


def with_fault(record: Record, fault: str, grade: Grade, seed: int) -> tuple[Injection, Case]:
    """A record with one fault planted, unchecked, and the truth."""
    table = next(iter(record.tables))
    injection = registry()[fault].inject(case_of(unchecked(record), table), grade, np.random.default_rng(seed))
    assert injection is not None
    return injection, case_of(unchecked(planted(record, table, injection)), table)


def sane(fault: str, suspect: Suspect) -> None:
    """What every suspect must keep to."""
    assert tuple(suspect.evidence) == registry()[fault].keys
    assert suspect.onset[0] <= suspect.onset[1]
    assert suspect.first <= suspect.last
    assert all(math.isfinite(c.log_odds) and c.said for c in suspect.clues)
    assert suspect.summary.endswith(".") and "nan" not in suspect.summary


def drawn(fault: str, case: Case, suspect: Suspect) -> bytes:
    """Its picture as PNG."""
    from qc.write import picture

    with picture.house():
        figure = registry()[fault].picture(case, suspect)
    assert figure.axes
    return picture.png(figure)
