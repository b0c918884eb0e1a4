"""Stamps that mark another side: found where the interval is long enough, not mistaken for a clock."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import diagnose
from qc.faults import Cleared, Untested, stamp_side
from qc.mends import mended
from tests.faults.dawn import case, healthy
from tests.faults.planted import planted, unchecked


@pytest.mark.parametrize(
    ("declared", "true", "minutes"),
    [("end", "start", -15.0), ("end", "instant", -7.5), ("start", "end", 15.0), ("instant", "end", 7.5)],
)
def test_minutes_of_each_side(declared: str, true: str, minutes: float) -> None:
    assert stamp_side.late_if(declared, true, 900.0) == minutes


@pytest.mark.parametrize("interval", ["10min", "15min", "30min"])
@pytest.mark.parametrize("seed", range(2))
def test_the_other_side_is_found_and_mended(interval: str, seed: int) -> None:
    record = healthy(days=25, interval=interval, seed=seed)
    injection = stamp_side.inject(case(record), "typical", np.random.default_rng(seed))
    assert injection is not None
    broken = planted(record, "main", injection)
    first = diagnose(unchecked(broken), only=("clock-offset", "stamp-side", "site-facts")).findings[0]
    assert first.fault.id == "stamp-side"
    assert first.suspect.evidence == injection.evidence
    assert first.suspect.mend is not None
    assert first.suspect.mend.side == "start"
    assert (mended(broken, first.suspect.mend).tables["main"].time == record.tables["main"].time).all()


@pytest.mark.parametrize(("interval", "kind"), [("1min", Untested), ("10min", Cleared), ("15min", Cleared)])
def test_sound_stamps(interval: str, kind: type) -> None:
    (got,) = stamp_side.test(case(healthy(days=10, interval=interval)))
    assert isinstance(got, kind)


def test_a_clock_that_was_set_is_no_side() -> None:
    from tests.faults.test_clock_offset import ahead

    (got,) = stamp_side.test(case(ahead(healthy(days=30, interval="15min"), -15.0, since_day=15)))
    assert isinstance(got, Cleared)


def test_three_days_are_needed() -> None:
    (got,) = stamp_side.test(case(healthy(days=2)))
    assert isinstance(got, Untested)


@pytest.mark.parametrize(
    ("interval", "grade", "made"),
    [
        ("1min", "near", False),
        ("1min", "typical", False),
        ("5min", "near", True),
        ("5min", "typical", False),
        ("10min", "typical", True),
    ],
)
def test_short_intervals_are_near_at_most(interval: str, grade: str, made: bool) -> None:
    record = healthy(days=5, interval=interval)
    got = stamp_side.inject(case(record), grade, np.random.default_rng(0))  # type: ignore[arg-type]
    assert (got is not None) is made
