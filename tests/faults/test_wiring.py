"""What all faults of wiring, and those of constants and battery, must keep to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc import chain
from qc.case import Case
from qc.diagnosis import case_of, diagnose
from qc.faults import Suspect, Untested, steps
from qc.record import ReadChannel, Record
from qc.run import limits_of
from tests.faults import meadow
from tests.faults.planted import planted, unchecked
from tests.faults.said import drawn, named, outcomes, sane, with_fault
from tests.shared import shared

FAULTS = (
    "channels-swapped", "channels-copied", "channel-open", "constants-wrong", "sensor-frozen", "bus-dropout",
    "supply-disturbed", "battery-failing",
)  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("how", ["devices", "none", "hourly", "twins", "long"])
def test_a_healthy_station_gives_nothing(fault: str, how: str) -> None:
    more = {
        "devices": {}, "none": {"devices": False}, "hourly": {"minutes": 60},
        "twins": {"names": (*meadow.CHANNELS, "t_air_2", "ghi_2")}, "long": {},
    }[how]  # fmt: skip
    for seed in (1, 2):
        case = meadow.case(30.0 if how == "long" else 12.0, seed, **more)
        assert named(fault, case) == [], how
        assert outcomes(fault, case), "a test says something of every station"


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_a_planted_fault_is_found(fault: str, grade: str, seed: int) -> None:
    injection, case = with_fault(meadow.record(24.0, seed), fault, grade, seed)  # type: ignore[arg-type]
    found = [s for s in named(fault, case) if set(s.channels) & set(injection.channels)]
    assert found, f"{fault} at {injection.channels} from {injection.first}"
    best = found[0]
    sane(fault, best)
    near = np.timedelta64(36 if fault in ("battery-failing", "channels-swapped", "constants-wrong") else 12, "h")
    if fault == "channel-open":
        near = np.timedelta64(24, "h")
    assert best.onset[0] - near <= injection.first <= best.onset[1] + near
    assert best.device in {None, *(case.device(c) for c in case.channels if c.name in best.channels)}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_picture_is_drawn(fault: str) -> None:
    _, case = with_fault(meadow.record(24.0, 0), fault, "gross", 0)
    assert drawn(fault, case, named(fault, case)[0]).startswith(b"\x89PNG")


@pytest.mark.parametrize("fault", FAULTS)
def test_the_book_tells_what_to_do(fault: str) -> None:
    assert len(steps(fault)) >= 3
    assert all(step[0].islower() or step[0].isupper() for step in steps(fault))


def _cut(record: Record, rows: slice | np.ndarray) -> Case:
    table = record.tables["ten"]
    return case_of(unchecked(replace(record, tables={"ten": table.take(rows)})), "ten")


@settings(max_examples=25, deadline=None)
@given(rows=st.integers(0, 432), seed=st.integers(0, 3), start=st.integers(0, 1000), minutes=st.sampled_from([10, 60]))
def test_with_too_little_data_nothing_is_claimed(rows: int, seed: int, start: int, minutes: int) -> None:
    case = _cut(meadow.record(12.0, seed, minutes=minutes), slice(start, start + rows * 10 // minutes))
    for fault in FAULTS:
        assert named(fault, case) == []
        assert not [o for o in outcomes(fault, case) if isinstance(o, Untested) and "broke" in o.why]


@pytest.mark.parametrize("odd", ["all missing", "constant", "one channel", "gaps", "every third row"])
def test_odd_records_give_nothing(odd: str) -> None:
    record = meadow.record(12.0, 1)
    table = record.tables["ten"]
    rng = np.random.default_rng(5)
    n = table.rows

    def put(values: dict[str, np.ndarray]) -> Record:
        channels = {k: ReadChannel(values.get(k, c.values), None, None) for k, c in table.channels.items()}
        return replace(record, tables={"ten": replace(table, channels=channels)})

    if odd == "all missing":
        record = put({k: np.full(n, np.nan) for k in table.channels})
    elif odd == "constant":
        record = put({"t_soil": np.full(n, 10.0)})
    elif odd == "one channel":
        record = put({k: np.full(n, np.nan) for k in table.channels if k != "t_air"})
    rows = np.arange(n)
    if odd == "gaps":
        rows = np.flatnonzero(rng.random(n) > 0.3)
    elif odd == "every third row":
        rows = rows[::3]
    case = _cut(record, rows)
    for fault in FAULTS:
        assert named(fault, case) == [], fault
        assert not [o for o in outcomes(fault, case) if isinstance(o, Untested) and "broke" in o.why]


@pytest.mark.parametrize(
    ("fault", "seed"), [("channels-swapped", 3), ("channels-copied", 1), ("channel-open", 1), ("sensor-frozen", 0)]
)
def test_the_whole_diagnosis_names_the_right_cause_first(fault: str, seed: int) -> None:
    record = meadow.record(24.0, seed)
    injection, _ = with_fault(record, fault, "gross", seed)
    spoilt = planted(record, "ten", injection)
    found = diagnose(chain.run(spoilt, limits_of(spoilt.station)), only=FAULTS).findings
    assert found[0].fault.id == fault
    assert found[0].log_odds > 1.39
    later = [f for f in found[1:] if set(f.suspect.channels) & set(injection.channels) and f.fault.id != fault]
    assert all(f.confidence < 0.5 for f in later), "what an earlier cause explains is not blamed on a later one"


# ---- what is known to be wrong in the open data (truth.toml there, truth_more.toml here)


def _open(station: str, *files: str) -> Record:
    import qc

    where = shared("expected").parent
    return qc.read_tables(qc.read_station(where / "expected" / f"{station}.toml"), [where / f for f in files])


NATURAL: dict[str, tuple[str, tuple[str, ...], set[tuple[str, str]]]] = {
    "roof": ("roof", ("roof_10min.csv",), {("sensor-frozen", "ws")}),
    "campus 2016": ("campus", ("campus_2016_03.csv",), set()),
    "campus 2024": (
        "campus", ("campus_2024_12.csv", "campus_2025_01.csv"), {("sensor-frozen", "ws"), ("bus-dropout", "t_air")},
    ),
    "forest 2016": (
        "forest", ("forest_5min_2016_03.csv", "forest_5min_2016_04.csv"),
        {("channel-open", "t_air_2"), ("channel-open", "rh_2")},
    ),
    "forest 2017": (
        "forest", ("forest_5min_2017_10.csv",),
        {("channel-open", c) for c in ("t_air", "rh", "t_air_2", "rh_2")},
    ),
    "coast": ("coast", ("coast_hourly_2021.csv",), set()),
    "hills": ("hills", ("hills_hourly_2021.csv",), set()),
    "estuary": ("estuary", ("estuary_15min_2016.csv",), set()),
    "plateau": ("plateau", ("plateau_10min_2015.csv",), set()),
}  # fmt: skip


@pytest.mark.parametrize("name", NATURAL)
def test_natural_faults_are_named_and_nothing_else_is(name: str) -> None:
    station, files, known = NATURAL[name]
    record = _open(station, *files)
    found = diagnose(chain.run(record, limits_of(record.station)), only=FAULTS).findings
    hit = {(f.fault.id, c) for f in found for c in f.suspect.channels}
    assert known <= hit
    assert {(f, c) for f, c in hit} <= known | {("sensor-frozen", c) for c in ("gust", "wd")} | {
        ("bus-dropout", c) for c in ("ws", "wd", "rh", "p", "rain")
    }
    for fault, channel in known:
        assert any(f.fault.id == fault and channel in f.suspect.channels and f.confidence >= 0.5 for f in found)
    if not known:
        assert not found


def test_the_frozen_wind_of_the_roof_began_when_it_did() -> None:
    record = _open("roof", "roof_10min.csv")
    case = case_of(unchecked(record), next(iter(record.tables)))
    found = [s for s in outcomes("sensor-frozen", case) if isinstance(s, Suspect) and "ws" in s.channels]
    (suspect,) = [s for s in found if s.log_odds > 4.5]
    truth = np.datetime64("2024-06-30T03:10:00")  # truth.toml
    assert suspect.onset[0] <= truth <= suspect.onset[1]
    assert suspect.evidence["hours"] == pytest.approx(246.0, abs=3.0)


def test_campus_wind_repeats_for_as_many_minutes_as_it_does() -> None:
    record = _open("campus", "campus_2024_12.csv", "campus_2025_01.csv")
    case = case_of(unchecked(record), next(iter(record.tables)))
    (wind,) = named("sensor-frozen", case)
    assert wind.evidence["hours"] * 60.0 == pytest.approx(1550.0, rel=0.03)  # truth.toml: about 1550 minutes
    assert "86 min" in wind.summary
    (bus,) = named("bus-dropout", case)
    assert set(bus.channels) >= {"t_air", "rh", "p", "ws", "wd"}
    assert "1.45 h" in bus.summary  # 87 minutes
