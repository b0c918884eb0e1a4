"""A year of nights plants and reckons as it says: where a fault stands, what it touches, what is noise."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from qc.archive.watch import CLEARED, GOING_ON, NEW, QUIET_DAYS, RETURNED
from qc.faults import Injection, registry
from tests.bench import nights
from tests.bench.invented import made
from tests.bench.nights import (
    GAP,
    REST,
    WINDOW,
    Noise,
    Planned,
    Reckoned,
    Truth,
    lines,
    placed,
    planned,
    row_of,
    summed,
)
from tests.bench.plants import PLANTS, Plant, ahead, at_least, booked, light_or_companion, noon, spoilt

DAYS = 150


@cache
def truth(name: str = "B-maritime", start: str = nights.START) -> Truth:
    return Truth(made(name, DAYS, start=start), DAYS)


def stands(plant: Plant, day: int, name: str = "B-maritime") -> Planned:
    found = placed(truth(name), plant, day)
    assert isinstance(found, Planned), found
    return found


def test_every_plant_names_faults_of_the_book() -> None:
    assert {fault for plant in PLANTS for fault in plant.faults} == set(registry())
    assert len({plant.name for plant in PLANTS}) == len(PLANTS)


@pytest.mark.parametrize("seed", [0, 1])
def test_planted_stretches_lie_apart_and_end_in_time(seed: int) -> None:
    plans, refused = planned({"B-maritime": truth()}, seed)
    assert len(plans) >= 2
    assert plans[0].stretch[0] >= nights.FIRST
    for plan in plans:
        a, b = plan.stretch
        assert b - a == plan.plant.days
        assert a <= plan.first < plan.last <= b
        assert b + REST <= DAYS
    for before, after in itertools.pairwise(plans):
        assert after.stretch[0] - before.stretch[1] >= GAP >= WINDOW + QUIET_DAYS
    stand = [plan.plant.name for plan in plans]
    assert len(set(stand)) == len(stand)
    assert set(refused) == {plant.name for plant in PLANTS} - set(stand)


def test_another_seed_and_another_station_begin_elsewhere() -> None:
    names = [plant.name for plant in PLANTS]
    orders = [
        [p.name for p in nights.order(*asked)] for asked in (("A-maritime", 0), ("A-maritime", 1), ("B-south", 0))
    ]
    assert all(sorted(one) == sorted(names) for one in orders)
    assert len({one[0] for one in orders}) == 3


def test_a_plant_stands_only_where_it_can_be_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noon at 47 degrees north is 55 degrees high from late April on (computed)."""
    high = Plant("high sun", ("pyranometer-scale",), 10, spoilt(lambda x, s: 0.7 * x, "ghi"),
                 (at_least(55.0, "degrees", "noon sun at", noon),))  # fmt: skip
    never = Plant("never", ("tracker-astray",), 5, booked("tracker-astray", "typical"))
    monkeypatch.setattr(nights, "PLANTS", (high, never))
    (plan,), refused = planned({"B-maritime": truth()})
    tops = truth().case(*plan.stretch).elevation.reshape(10, -1).max(axis=1)
    assert (tops >= 55.0).all()
    assert isinstance(placed(truth(), high, nights.FIRST), str)
    assert list(refused) == ["never"]
    assert any("the fault book cannot plant it" in why for why in refused["never"])


@pytest.mark.parametrize(
    ("name", "start", "can"),
    [("B-maritime", "2024-05-01", True), ("B-maritime", "2023-12-01", False), ("A-maritime", "2023-12-01", True)],
)
def test_a_factor_of_global_alone_needs_a_high_sun(name: str, start: str, can: bool) -> None:
    """Noon at 47 degrees north: 19 degrees high in December, 58 and more in May (computed); A-maritime measures PAR."""
    at = Truth(made(name, 21, start=start), 21)
    assert (light_or_companion(at.case(0, 21), at.case(0, 21)) == "") == can


@pytest.mark.parametrize(
    "plant",
    [
        Plant("one cell of a row", ("unit-wrong",), 3, spoilt(lambda x, s: x * 1.8 + 32.0, "t")),
        Plant("stamps", ("clock-offset",), 3, ahead(-60.0)),
        Plant("from the book", ("bus-dropout",), 12, booked("bus-dropout", "typical")),
    ],
    ids=lambda plant: plant.name,
)
def test_rows_outside_of_what_is_planted_stay_as_they_are(plant: Plant) -> None:
    plan = stands(plant, 40)
    head, by_day = lines(truth(), [plan])
    healthy_head, healthy = lines(truth(), [])
    assert head == healthy_head
    assert [len(day) for day in by_day] == [len(day) for day in healthy] == [288] * DAYS
    assert [f"{head}\n", *(f"{line}\n" for day in healthy for line in day)] == truth().station.raw.decode().splitlines(
        keepends=True
    )
    changed = [number for number, (a, b) in enumerate(zip(by_day, healthy, strict=True)) if a != b]
    assert changed[0] == plan.first
    assert changed[-1] == plan.last - 1
    assert set(changed) <= set(range(*plan.stretch))
    last = max(row for row, line in enumerate(by_day[plan.last - 1]) if line != healthy[plan.last - 1][row])
    assert plan.mended == truth().moment(plan.last - 1) + (last + 1) * np.timedelta64(300, "s")  # stamps mark the end


def test_only_the_cells_asked_for_change_and_by_what_is_asked() -> None:
    plan = stands(Plant("degF", ("unit-wrong",), 3, spoilt(lambda x, s: x * 1.8 + 32.0, "t")), 40)
    head, by_day = lines(truth(), [plan])
    column = head.split(",").index("Air")
    for spoilt_, healthy in zip(by_day[41], lines(truth(), [])[1][41], strict=True):
        a, b = spoilt_.split(","), healthy.split(",")
        assert a[:column] + a[column + 1 :] == b[:column] + b[column + 1 :]
        if b[column] == "NAN":
            assert a[column] == "NAN"
        else:
            assert float(a[column]) == pytest.approx(float(b[column]) * 1.8 + 32.0, abs=0.0051)


def test_two_channels_are_spoilt_in_the_same_days() -> None:
    station = made("A-maritime", 4)
    half = nights.spoilt_table(station, 4, *((c, 1, 3, lambda x, s: 0.5 * x) for c in ("ghi", "par")))
    was, now = (replace(station, raw=raw).record().tables["main"].channels for raw in (station.raw, half))
    inside = np.repeat([False, True, True, False], 144)
    for name in was:
        want = was[name].values * np.where(inside & (name in ("ghi", "par")), 0.5, 1.0)
        np.testing.assert_allclose(now[name].values, want, atol=0.051)  # a step of 0.1 W/m2


def test_stamps_of_a_slow_clock_lie_an_hour_back() -> None:
    _, by_day = lines(truth(), [stands(Plant("stamps", ("clock-offset",), 3, ahead(-60.0)), 40)])
    healthy = lines(truth(), [])[1]
    late, told = (
        np.array([line.partition(",")[0].replace(" ", "T") for line in one[40]], "M8[s]") for one in (healthy, by_day)
    )
    assert set((late - told).tolist()) == {np.timedelta64(3600, "s").item()}


def test_a_wrong_station_file_stands_while_it_is_planted() -> None:
    plant = next(p for p in PLANTS if p.name == "station file: height in feet")
    plan = replace(plan_of("height", ("site-facts",), (), 40, 48), plant=plant)
    text = "elevation = 2310.0\n"
    assert [nights.station_file(text, [plan], day) == text for day in (39, 40, 47, 48)] == [True, False, False, True]
    assert nights.station_file(text, [plan], 40) == "elevation = 7578.7\n"  # m to feet: 2310 / 0.3048 (computed)
    assert next(p for p in PLANTS if p.file).file(made("A-maritime", 2).text).count('stamps = "start"') == 1  # type: ignore[misc]


# ---- whose line is it


def plan_of(name: str, faults: tuple[str, ...], channels: tuple[str, ...], first: int, last: int) -> Planned:
    nothing = Injection(channels, np.datetime64(0, "us"), np.datetime64(0, "us"), {})
    plant = Plant(name, faults, last - first, lambda case, rng: None)
    return Planned("S", plant, (first, last), nothing, first, last, MENDED)


MENDED = np.datetime64("2024-06-21T00:00", "us")


def finding(
    fault: str, state: str, *channels: str, station: str = "S", onset: str = "2024-06-09T00:10:00Z"
) -> Mapping[str, Any]:
    where = ".".join(channels) or "station"
    return {"station": station, "state": state, "fault": fault, "channels": list(channels), "id": f"{fault}@{where}",
            "confidence": 0.8, "onset": ["2024-06-01T00:00:00Z", onset]}  # fmt: skip


VANE = "vane-stuck"


@pytest.mark.parametrize(
    ("day", "told", "mine"),
    [
        (100, finding(VANE, NEW, "wd"), True),
        (99, finding(VANE, NEW, "wd"), False),  # before it began
        (112 + WINDOW - 1, finding(VANE, NEW, "wd"), True),  # the last night whose window holds a row of it
        (112 + WINDOW, finding(VANE, NEW, "wd"), False),
        (100, finding("sensor-frozen", RETURNED, "ws", "wd"), True),  # says the same, and touches the channel
        (100, finding("sensor-frozen", NEW, "ws"), False),
        (100, finding("unit-wrong", NEW, "wd"), False),
        (100, finding(VANE, NEW, "wd", station="other"), False),
        (100, finding(VANE, NEW), True),  # of all channels
        (113, finding(VANE, NEW, "wd", onset="2024-06-21T00:00:00Z"), True),
        (113, finding(VANE, NEW, "wd", onset="2024-06-21T00:10:00Z"), False),  # the mend taken for the begin
    ],
)
def test_a_finding_belongs_to_the_plant_it_tells_of(day: int, told: Mapping[str, Any], mine: bool) -> None:
    plan = plan_of("vane hangs", (VANE, "sensor-frozen"), ("wd",), 100, 112)
    reckoned = Reckoned([plan])
    reckoned.night(day, [told], [])
    assert [(d, s) for d, s, _ in plan.states] == ([(day, told["state"])] if mine else [])
    assert [(n.day, n.state, n.finding) for n in reckoned.noise] == ([] if mine else [(day, told["state"], told["id"])])


def test_what_goes_on_or_is_cleared_goes_with_what_was_new() -> None:
    """A finding that was told before a plant began stays noise; one of a plant stays its own after the window."""
    plan = plan_of("vane hangs", (VANE,), ("wd",), 100, 112)
    reckoned = Reckoned([plan])
    for day, state in ((98, NEW), (101, GOING_ON), (103, CLEARED), (104, NEW), (150, GOING_ON), (151, CLEARED)):
        reckoned.night(day, [finding(VANE, state, "wd")], [])
    assert plan.states == [(104, NEW, VANE), (150, GOING_ON, VANE), (151, CLEARED, VANE)]
    assert [(n.day, n.state) for n in reckoned.noise] == [(98, NEW), (103, CLEARED)]  # what goes on is no line


def test_noise_says_in_whose_window_it_was_new() -> None:
    reckoned = Reckoned([plan_of("vane hangs", (VANE,), ("wd",), 100, 112)])
    for day, state in ((111, NEW), (142, CLEARED)):
        reckoned.night(day, [finding("gauge-open", state, "rain")], [])
    reckoned.night(150, [], ["trouble S: a.csv fits no layout", "cleared S: vane-stuck at wd", "silent S: last row"])
    assert [(n.state, n.where, n.since, n.after) for n in reckoned.noise] == [
        (NEW, "vane hangs", 11, -1), (CLEARED, "vane hangs", 42, 30), ("trouble", "", 0, 0), ("silent", "", 0, 0),
    ]  # fmt: skip


def test_a_line_of_two_plants_goes_to_the_later_one() -> None:
    first, second = (plan_of("vane hangs", (VANE,), ("wd",), a, a + 12) for a in (100, 120))
    Reckoned([first, second]).night(121, [finding(VANE, NEW, "wd")], [])
    assert not first.states
    assert second.states


def test_the_figures_of_a_plant_and_of_a_run() -> None:
    right = plan_of("vane hangs", (VANE,), ("wd",), 100, 112)
    right.states += [
        (104, NEW, VANE),
        (105, GOING_ON, VANE),
        (119, CLEARED, VANE),
        (121, RETURNED, VANE),
        (125, CLEARED, VANE),
    ]
    late = plan_of("late", (VANE,), ("wd",), 200, 204)
    late.states += [(204, NEW, VANE), (210, CLEARED, VANE), (213, RETURNED, VANE)]  # and so it stays
    rows = [row_of(right), row_of(late), row_of(plan_of("missed", (VANE,), ("wd",), 250, 260))]
    assert [(r["told"], r["after_days"], r["nights_going_on"], r["cleared_after_days"]) for r in rows] == [
        ([104, 121], 4, 1, 13), ([204, 213], 4, 0, None), ([], None, 0, None),
    ]  # fmt: skip
    lines_ = [("a", "", 0), ("a", "", 0), ("c", "", 0), ("c", "", 1), ("a", "late", 0), ("b", "late", 0)]
    noise = [{"station": "S", "finding": f, "where": w, "seed": seed} for f, w, seed in lines_]
    found = summed({"plants": rows, "noise": noise, "station_nights": 365, "seconds": 1})
    assert found == {
        "planted": 3, "told": 2, "while_it_lasts": 1, "within_3_nights": 0, "cleared": 1, "told_once": 0,
        "told_again": 2, "noise_lines": 6, "noise_findings": 5, "noise_lines_in_health": 4,
        "noise_findings_in_health": 3, "station_nights": 365, "seconds": 1,
    }  # fmt: skip


def test_runs_are_summed_up_as_one_and_told_in_full() -> None:
    late = plan_of("late", (VANE,), ("wd",), 200, 204)
    late.states += [(204, NEW, VANE)]
    runs = [
        {"plants": [row_of(late)], "noise": [vars(Noise(5, "S", NEW, "a", "gauge-open at rain (0.80)"))],
         "not_planted": {"vane hangs": ["S, day 30: no wind"], "tracker": ["S, day 30: no tracker"] * 5}},
        {"plants": [row_of(plan_of("vane hangs", (VANE,), ("wd",), 50, 62))], "noise": [],
         "not_planted": {"late": [], "tracker": [], "no room": []}},
    ]  # fmt: skip
    found = nights.together([run | {"station_nights": 365, "seconds": 9} for run in runs])
    assert set(found["not_planted"]) == {"tracker", "no room"}  # what is planted in one run is planted
    told = list(nights.table(found))
    assert told[1].split() == ["S", "late", "[wd]", "200-204", "+4!", "0", "never", VANE]  # told when it was over
    assert told[2].split() == ["S", "vane", "hangs", "[wd]", "50-62", "never", "0", "never"]
    assert told[3] == "  noise: day 5: new S: gauge-open at rain (0.80) -- in health"
    assert told[4] == "  not planted: tracker, because " + "; ".join(["S, day 30: no tracker"] * 3) + "; and 2 more"
    assert told[5] == "  not planted, because no room was left: no room"
    assert told[6] == (
        "2 planted, 1 told (0 while they lasted, 0 within 3 nights, 1 once, the others 0 times more), 0 cleared; "
        "1 lines of noise of 1 findings, 1 of 1 in health, in 730 station-nights; 18 s"
    )
