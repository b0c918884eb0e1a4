"""A factor of global irradiance, under the low sun of December too, begun and taken back: whole runs, one finding."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from qc import chain, ratios
from qc.diagnosis import Diagnosis, case_of, diagnose
from qc.faults import Suspect
from qc.run import limits_of
from tests.bench.invented import made
from tests.bench.nights import spoilt_table

DAYS = 28
FIRST = np.datetime64("2024-12-01T00:00", "us")
DAY = np.timedelta64(1, "D")


@cache
def run(
    first: int, last: int, factor: float = 0.7, channel: str = "ghi", start: str = "2024-12-01", seed: int = 0,
    dull: float = 1.0, name: str = "A-maritime", offset: float = 0.0,
) -> Diagnosis:  # fmt: skip
    """Four weeks; by default in a December at 51.6 degrees north, with no sun above 17 degrees. All light before is
    less by `dull`."""
    station = made(name, DAYS, start=start, seed=seed)
    spells = [(channel, first, last, lambda x, s: factor * x + offset)]
    spells += [(c, 0, first, lambda x, s: dull * x) for c in ("ghi", "dni", "dhi", "par") if dull < 1.0]
    record = replace(station, raw=spoilt_table(station, DAYS, *spells)).record()
    return diagnose(chain.run(record, limits_of(record.station)))


@pytest.mark.parametrize(("first", "last"), [(7, 28), (25, 28), (4, 20), (5, 25), (0, 22), (0, 5)])
def test_it_is_told_from_day_to_day_and_its_mend_is_none(first: int, last: int) -> None:
    (found,) = run(first, last).findings
    assert found.fault.id == "pyranometer-scale" and found.suspect.channels == ("ghi",)
    assert found.rivals[0].fault == "constants-wrong" and found.rivals[0].confidence > 0.1
    assert found.suspect.evidence["factor"] == pytest.approx(0.7, rel=0.02)
    begun, ended = FIRST + first * DAY, FIRST + last * DAY
    assert found.suspect.onset[0] <= begun <= found.suspect.onset[1] if first else found.suspect.first <= begun + DAY
    assert abs(found.suspect.last - ended) < DAY
    shape = next(c for c in found.suspect.clues if c.name == "shape")
    assert shape.said.startswith(("mornings by 0.69", "mornings by 0.70", "mornings by 0.71"))
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
    assert found.fault.id == "pyranometer-scale"


@pytest.mark.parametrize(("first", "last"), [(24, 28), (18, 28), (10, 28), (6, 26), (2, 22), (0, 18), (0, 9), (0, 4)])
def test_under_a_high_sun_it_has_one_name_from_night_to_night(first: int, last: int) -> None:
    """Where levels over a clear sky speak too: as the window moves over it, neither the other name nor its mend."""
    found = run(first, last, start="2024-06-10", name="A-mountain").findings
    assert [f.fault.id for f in found] == ["pyranometer-scale"]
    assert found[0].suspect.evidence["factor"] == pytest.approx(0.7, rel=0.02)
    assert abs(found[0].suspect.last - (np.datetime64("2024-06-10", "us") + last * DAY)) < DAY
    assert found[0].confidence == pytest.approx(0.875, abs=0.005)


@pytest.mark.parametrize(
    ("start", "seed", "first", "last"),
    [("2024-05-01", 5, 0, 19), ("2024-09-20", 0, 22, 28), ("2024-09-20", 1, 22, 28)],
)
def test_an_offset_of_the_nights_is_no_factor(start: str, seed: int, first: int, last: int) -> None:
    """25 W/m2 are a tenth and more of a low or dull sun; where they were taken off again, what is mended is 6 % low."""
    found = run(first, last, 1.0, start=start, seed=seed, offset=25.0).findings
    assert [f.fault.id for f in found] == ["pyranometer-zero"]


def test_a_sensor_that_reads_in_the_mornings_alone() -> None:
    """No afternoon tells anything, and no figure is made of none."""
    station = made("A-maritime", DAYS, start="2024-05-01")
    record = replace(station, raw=spoilt_table(station, DAYS, ("ghi", 14, DAYS, lambda x, s: 0.7 * x))).record()
    table = record.tables["main"]
    ghi = table.channels["ghi"]
    noon = (table.time - table.time.astype("datetime64[D]")) > np.timedelta64(12 * 60 + 16, "m")
    half = replace(ghi, values=np.where(noon, np.nan, ghi.values))
    half_record = replace(record, tables={"main": replace(table, channels={**table.channels, "ghi": half})})
    case = case_of(chain.run(half_record, limits_of(record.station)), "main")
    (one,) = (o for o in ratios.outcomes(case) if isinstance(o, Suspect))
    (shape,) = (c for c in one.clues if c.name == "shape")
    assert shape.said.startswith(("mornings by 0.69", "mornings by 0.70")) and shape.said.endswith(
        ", no afternoons to compare"
    )
    assert shape.log_odds == -1.0
