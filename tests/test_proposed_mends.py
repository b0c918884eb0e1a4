"""Proposed mends on planted faults: at least nine tenths of the error is gone, and no channel is worse than before."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from qc import chain
from qc.diagnosis import case_of, diagnose
from qc.faults import GRADES, Grade, Injection, registry
from qc.mends import mended
from qc.record import Record
from qc.run import limits_of
from qc.verdicts import Floats
from qc.write.proposed import sure
from tests.faults.planted import planted, unchecked
from tests.test_fault_book import part, row_of

DAYS = 25
SEEDS = (1, 2)


def truth() -> Record:
    """Healthy weeks of the sample station, and a little more."""
    return part(row_of("2026-03-27T00:10"), DAYS * 144)


def wrong(record: Record, of: Record) -> dict[str, float]:
    """Sum of absolute errors of each channel against the truth, at the true times; a row that lacks counts as the
    spread of the channel."""
    table, true = record.tables["ten"], of.tables["ten"]
    at = np.searchsorted(table.time, true.time)
    at = np.minimum(at, table.rows - 1)
    there = table.time[at] == true.time
    out = {}
    for name, channel in true.channels.items():
        found: Floats = np.where(there, table.channels[name].values[at], np.nan)
        error = np.abs(found - channel.values)
        lost = np.isfinite(channel.values) & ~np.isfinite(found)
        out[name] = float(np.nansum(error)) + float(lost.sum()) * float(np.nanstd(channel.values))
    return out


def cases() -> Iterator[tuple[str, Grade, int]]:
    for fault in registry():
        for grade in GRADES[1:]:
            for seed in SEEDS:
                yield fault, grade, seed  # type: ignore[misc]


def tried(fault: str, grade: Grade, seed: int) -> tuple[Injection, Record, Record, list[str]] | None:
    """What was planted; the record with it; the record with all that is proposed done; which faults proposed it."""
    base = truth()
    injection = registry()[fault].inject(case_of(unchecked(base), "ten"), grade, np.random.default_rng(seed))
    if injection is None:
        return None
    spoilt = planted(base, "ten", injection)
    found = diagnose(chain.run(spoilt, limits_of(spoilt.station)))
    after, names = spoilt, []
    for finding in found.findings:
        if sure(finding) and finding.suspect.mend is not None:
            after = mended(after, finding.suspect.mend)
            names.append(finding.fault.id)
    return injection, spoilt, after, names


@pytest.mark.parametrize(("fault", "grade", "seed"), list(cases()))
def test_a_proposed_mend_restores_the_truth(fault: str, grade: Grade, seed: int) -> None:
    result = tried(fault, grade, seed)
    if result is None:
        pytest.skip("cannot be made from the sample station")
    _, spoilt, after, names = result
    if not names:
        pytest.skip("nothing is proposed")
    before, now = wrong(spoilt, truth()), wrong(after, truth())
    rounding = {name: 1e-6 + 0.06 * truth().tables["ten"].rows for name in before}  # half a step of the logger, a row
    assert all(now[name] <= before[name] + rounding[name] for name in before), "a channel is worse"
    if names == [fault]:
        for name, error in before.items():
            if error > 10 * rounding[name]:
                assert now[name] <= 0.1 * error + rounding[name], f"{name}: {error:.0f} became {now[name]:.0f}"


def test_something_is_proposed_at_all() -> None:
    """So that the test above cannot pass by never proposing."""
    proposing = set()
    for fault in ("clock-offset", "unit-wrong", "pyranometer-zero", "channels-swapped", "pyranometer-reversed"):
        for seed in SEEDS:
            result = tried(fault, "gross", seed)
            if result is not None:
                proposing |= set(result[3])
    assert len(proposing) >= 3, proposing


@pytest.mark.parametrize(("grade", "seed", "told"), [("gross", 3, True), ("typical", 3, False)])
def test_a_constant_is_proposed_where_a_level_tells_the_side(grade: Grade, seed: int, told: bool) -> None:
    """The ground 13 K too warm lies too far from the air; 6 K too warm it may have been too cold before."""
    result = tried("constants-wrong", grade, seed)
    assert result is not None and result[0].channels == ("t_soil",)
    assert (result[3] == ["constants-wrong"]) is told
