"""A factor of global irradiance under the low sun of December, begun and taken back: whole runs, one finding."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from qc import chain
from qc.diagnosis import Diagnosis, diagnose
from qc.run import limits_of
from tests.bench.invented import made
from tests.bench.nights import Planned, Plant, lines

DAYS = 28
FIRST = np.datetime64("2024-12-01T00:00", "us")
DAY = np.timedelta64(1, "D")


@cache
def run(
    first: int, last: int, factor: float = 0.7, channel: str = "ghi", start: str = "2024-12-01", seed: int = 0,
    dull: float = 1.0,
) -> Diagnosis:  # fmt: skip
    """A month at 51.6 degrees north; no sun above 17 degrees. All light before is less by `dull`."""
    station = made("A-maritime", DAYS, start=start, seed=seed)
    plan = Planned("A-maritime", Plant("factor", (), channel, last - first, lambda x, s: factor * x), first, last)
    weather = [Plant("dull", (), c, first, lambda x, s: dull * x) for c in ("ghi", "dni", "dhi", "par")]
    head, days = lines(station, [plan, *(Planned("A-maritime", w, 0, first) for w in weather if dull < 1.0)], DAYS)
    text = "\n".join([head, *(line for day in days for line in day)]) + "\n"
    record = replace(station, raw=text.encode()).record()
    return diagnose(chain.run(record, limits_of(record.station)))


@pytest.mark.parametrize(("first", "last"), [(7, 28), (25, 28), (4, 20), (5, 25), (0, 22), (0, 5)])
def test_it_is_told_from_day_to_day_and_its_mend_is_none(first: int, last: int) -> None:
    (found,) = run(first, last).findings
    assert found.fault.id == "constants-wrong" and found.suspect.channels == ("ghi",)
    assert found.rivals[0].fault == "pyranometer-scale"
    assert found.suspect.evidence["factor"] == pytest.approx(0.7, rel=0.02)
    begun, ended = FIRST + first * DAY, FIRST + last * DAY
    assert found.suspect.onset[0] <= begun <= found.suspect.onset[1] if first else found.suspect.first <= begun + DAY
    assert abs(found.suspect.last - ended) < DAY
    mend = found.suspect.mend
    assert mend is not None and (mend.last is None) is (last == DAYS)
    assert ("until" in found.suspect.summary) is (last < DAYS)


def test_a_healthy_december_and_one_of_half_the_least() -> None:
    assert not run(7, 28, 1.0).findings
    assert not run(7, 28, 0.97).findings


def test_par_is_blamed_where_global_keeps_to_the_sum() -> None:
    (found,) = run(10, 28, 0.7, "par").findings
    assert found.suspect.channels == ("par",)


def test_two_witnesses_outdo_the_weather() -> None:
    """Dull days before, bright ones after: by its own brightness PAR has risen, but the sum of direct and diffuse says
    that global is low."""
    (found,) = run(14, 28, 0.75, dull=0.5).findings
    assert found.suspect.channels == ("ghi",)
    assert any("it steps alike against par" in c.said for c in found.suspect.clues)


def test_less_than_the_diffuse_light_of_a_covered_sky_is_no_exchange() -> None:
    (found,) = run(7, 28, start="2024-12-08", seed=5).findings
    assert found.fault.id == "constants-wrong"
