"""Each limit and comparison is noticed by the tables: moved by a unit of its last place, `>` for `>=`, a case changes.

A limit that no case notices fails here by name: add a case to `tests/checks/<id>.toml`. Cases that any quantity can do
without thought (on its limit, a hair beyond) are made here.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from qc.checks import Check, registry
from qc.limits import in_force
from qc.physics import sun
from qc.places import folder
from qc.quantities import quantities
from tests.checks import cases
from tests.checks.cases import Case, outcome, scene, tables

COUNTS = {
    "common-mode.devices",
    "common-mode.intervals",
    "dropout.channels",
    "frozen.repeats",
    "persistence.least_values",
    "shield.edges",
    "spike.intervals",
    "twin.credit_values",
}
"""Limits that are compared with whole numbers, as intervals are in a table on its grid: a tenth more is no more."""


@dataclass(frozen=True, eq=False)
class Number:
    """One number of a limit: `place` tells where in a list of [interval, number], and is None where it stands alone."""

    check: str
    key: str
    place: int | None
    number: Decimal
    value: Any
    unit: str
    climate: str | None = None

    @property
    def limit(self) -> str:
        return f"{self.check}.{self.key}"

    @property
    def name(self) -> str:
        where = "" if self.climate is None else f" in {self.climate}"
        return self.limit + where + ("" if self.place is None else f" at {self.value[self.place][0]}")

    @property
    def interval(self) -> str:
        return "10min" if self.place is None else str(self.value[self.place][0])

    @property
    def step(self) -> Decimal:
        """One unit of the last place that is written; of a count one."""
        exponent = self.number.as_tuple().exponent
        assert isinstance(exponent, int)
        return Decimal(1) if self.limit in COUNTS else Decimal(1).scaleb(min(exponent, 0))

    @property
    def ways(self) -> dict[int, str]:
        """Ways in which the number can be moved: no stretch spans less than nothing."""
        least = self.unit == "steps" and self.number == 0
        return {1: "raised"} if least else {1: "raised", -1: "lowered"}

    def moved(self, units: int) -> Any:
        """The limit's value with this number moved by some units."""
        number = float(self.number + units * self.step)
        if self.place is None:
            return number
        return [[span, number if n == self.place else float(v)] for n, (span, v) in enumerate(self.value)]


@cache
def numbers() -> list[Number]:
    return list(_numbers())


def _numbers() -> Iterator[Number]:
    for path in sorted((folder("rules") / "checks").glob("*.toml")):
        yield from _written(path, None)
    for path in sorted((folder("rules") / "climates").glob("*.toml")):
        yield from _written(path, path.stem)


def _written(path: Path, climate: str | None) -> Iterator[Number]:
    for entry in tomllib.loads(path.read_text("utf-8"), parse_float=Decimal).get("limit", []):
        check = entry["check"] if climate else path.stem
        key, value, unit = entry["key"], entry["value"], entry["unit"]
        if isinstance(value, list):
            for place, (_, number) in enumerate(value):
                yield Number(check, key, place, Decimal(number), value, unit, climate)
        else:
            yield Number(check, key, None, Decimal(value), value, unit, climate)


@cache
def told(check: str) -> list[tuple[Case, dict[str, list[str] | str]]]:
    return [(case, outcome(case)) for case in tables() if case.check == check]


def under(case: Case, name: str, value: Any) -> Case:
    """A case with one limit overridden."""
    rules = {
        **case.data.get("rules", {}),
        name: {"value": value, "reason": "a mutation"},
    }
    return Case(case.check, case.name, {**case.data, "rules": rules})


def overridden(rules: dict[str, Any], before: str = "") -> Iterator[str]:
    """Names of the limits that a case overrides itself, in whatever nesting."""
    for key, entry in rules.items():
        if isinstance(entry, dict) and "value" not in entry:
            yield from overridden(entry, f"{before}{key}.")
        else:
            yield before + key


def noticed(number: Number, units: int) -> bool:
    """Whether a case of the table, or one made here, comes out otherwise with the number moved."""
    value = number.moved(units)
    for case in made(number):
        if outcome(case) != outcome(under(case, number.limit, value)):
            return True
    for case, before in told(number.check):
        elsewhere = number.climate is not None and case.data.get("climate") != number.climate
        if elsewhere or number.limit in overridden(case.data.get("rules", {})):
            continue
        if outcome(under(case, number.limit, value)) != before:
            return True
    return False


OWED = dict(
    line.split(": ", 1)
    for line in (cases.FOLDER / "unnoticed.txt").read_text("utf-8").splitlines()
    if line and not line.startswith("#")
)
"""Limits that no case can notice, with why, one a line: `check.key: why`. A line that a case contradicts must go."""


@pytest.mark.parametrize("number", numbers(), ids=lambda n: n.name)
def test_a_moved_limit_is_noticed(number: Number) -> None:
    missed = [way for units, way in number.ways.items() if not noticed(number, units)]
    if number.name in OWED:
        assert missed, f"the cases notice {number.name} now: strike it out of tests/checks/unnoticed.txt"
    else:
        assert not missed, f"no case of {number.check} notices {number.name} {' or '.join(missed)} by one unit"


def test_few_limits_go_unnoticed_and_each_has_its_reason() -> None:
    assert {n.name for n in numbers()} >= set(OWED)
    assert {n.limit for n in numbers()} >= COUNTS
    assert all(why.strip() for why in OWED.values())
    assert len(OWED) <= 4


# --- cases made by rule


@cache
def made(number: Number) -> list[Case]:
    """Cases on the number and a hair beyond, where one can be made without thought."""
    maker = {
        "range": _range,
        "step": _step,
        "clear-sky": _clear_sky,
        "sea-level": _sea_level,
        "climate": _range,
    }.get(number.check)
    return maker(number) if maker else []


def _case(number: Number, channels: dict[str, Any], **more: Any) -> Case:
    climate = {} if number.climate is None else {"climate": number.climate}
    return Case(
        number.check,
        f"made for {number.name}",
        {"channels": channels, "expect": dict.fromkeys(channels), **climate, **more},
    )


def _range(number: Number) -> list[Case]:
    quantity, key = number.key.rsplit(".", 1)
    bound = float(number.number)
    beyond = np.nextafter(bound, -np.inf if key.startswith("low") else np.inf)
    channel = {"quantity": quantity, "values": [bound, float(beyond)]}
    return [_case(number, {"c": channel}, interval=number.interval)]


def _step(number: Number) -> list[Case]:
    if number.key not in quantities():
        return []
    bound, start = float(number.number), 20.0
    values = [start, start + bound, start, start + bound + 1e-5, start, start]
    return [
        _case(
            number,
            {"c": {"quantity": number.key, "values": values}},
            interval=number.interval,
        )
    ]


def _sea_level(number: Number) -> list[Case]:
    """At sea level the band itself; at 1000 m its widening: the pressure is searched that lies on it."""
    if number.key != "widening":
        return [_on(number, float(number.number), [54.0, -3.0, 0.0])]
    at = [54.0, -3.0, 1000.0]
    low, high = (
        900.0,
        1000.0,
    )  # reduced with the standard atmosphere: 1012 to 1125 hPa, the band ends at 1075
    for _ in range(60):
        middle = (low + high) / 2.0
        found = outcome(_case(number, {"c": {"quantity": "air_pressure", "values": [middle]}}, at=at))["c"]
        low, high = (middle, high) if found == ["0"] else (low, middle)
    return [_case(number, {"c": {"quantity": "air_pressure", "values": [low, high]}}, at=at)]


def _on(number: Number, bound: float, at: list[float]) -> Case:
    values = [bound, float(np.nextafter(bound, 0.0)), float(np.nextafter(bound, 1e9)), bound - 0.01, bound + 0.01]
    return _case(number, {"c": {"quantity": "air_pressure", "values": values}}, at=at)


def _clear_sky(number: Number) -> list[Case]:
    """A high sun for the model, a low one, one on the least elevation; a row a case: the sun moves between rows."""
    starts = ["2026-06-21T12:10:00Z", "2026-06-21T05:10:00Z"]
    if number.key == "least_elevation":
        starts += [at_elevation(float(number.number)), at_elevation(float(number.number) - 0.05)]
    return [
        _bright(number.interval, start, value)
        for start in starts
        for verdict in ("2", "3")
        for value in _brightest(number.interval, start, verdict)
    ]


def _bright(interval: str, start: str, value: float) -> Case:
    channel = {"quantity": "global_irradiance", "values": [value]}
    more = {"interval": interval, "stamps": "instant", "start": start}
    return Case("clear-sky", f"made: {value!r} W/m2", {"channels": {"c": channel}, "expect": {"c": None}, **more})


@cache
def _brightest(interval: str, start: str, verdict: str) -> tuple[float, float]:
    """Between which values it begins to fail: found by bisection."""
    low, high = 0.0, 4000.0
    for _ in range(60):
        middle = (low + high) / 2.0
        failed = outcome(_bright(interval, start, middle))["c"][0] >= verdict
        low, high = (low, middle) if failed else (middle, high)
    return low, high


@cache
def at_elevation(degrees: float) -> str:
    """The first moment of a morning, to the microsecond, at which the cases' sun stands there or higher."""
    low, high = (int(np.datetime64(t, "us").astype(np.int64)) for t in ("2026-06-21T04:00:00", "2026-06-21T11:00:00"))
    while high - low > 1:
        middle = (low + high) // 2
        zenith = sun.position(np.array([middle]).view("datetime64[us]"), 54.61, -2.95, 310.0).zenith[0]
        low, high = (low, middle) if 90.0 - zenith >= degrees else (middle, high)
    return f"{np.datetime64(high, 'us')}Z"


# --- on the bound


@pytest.mark.parametrize(
    "number",
    [n for n in numbers() if n.check in ("range", "step", "climate") and made(n)],
    ids=lambda n: n.name,
)
def test_on_the_limit_passes_and_a_hair_beyond_fails(number: Number) -> None:
    (case,) = made(number)
    found = outcome(case)["c"]
    if number.check == "step":
        assert found == ["0", "0", "0", "2", "0", "0"]
    else:
        assert found[1] == ("2" if number.check == "climate" or number.key.endswith("doubtful") else "3")
        assert found[0] < found[1]


def traps(bound: Decimal) -> list[Decimal]:
    """Values, in hundredths, from which a change by the bound comes out a hair larger in doubles: 4.4 - 1.4."""
    starts = [Decimal(n) / 100 for n in range(-3000, 3000)]
    return [v for v in starts if float(v + bound) - float(v) > float(bound)]


TRAPPED = [n for n in numbers() if n.check == "step" and made(n) and len(traps(n.number)) >= 5]


@pytest.mark.parametrize("number", TRAPPED, ids=lambda n: n.name)
def test_doubles_do_not_push_a_change_over_its_limit(number: Number) -> None:
    """Written in digits the change lies on the limit, and passes."""
    found = traps(number.number)
    for start in found[:: len(found) // 5]:
        values = [float(start), float(start + number.number), float(start)]
        case = _case(number, {"c": {"quantity": number.key, "values": values}}, interval=number.interval)
        assert outcome(case)["c"] == ["0"] * 3


# --- comparisons

SWAPS = {ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Lt: ast.LtE, ast.LtE: ast.Lt}

NOT_OF_VALUES = ("timing", "gap")  # checks of rows, without limits: tests/test_chain.py

ROUNDED = "the limit is widened by a rounding, so that nothing written in digits lies on it"
NEVER = "a failing value is never its limit"
FILTER = "a shortcut: what lies on the limit passes the comparison that follows"
NO_LIMIT = "no limit: "

UNNOTICED = {
    ("step", "size > limit"): ROUNDED,
    ("step", "size <= limit"): ROUNDED,
    ("step", "size[jumps - 1] <= limit[jumps - 1]"): ROUNDED,
    ("persistence", "step <= finest * (1 + 1e-09)"): ROUNDED,
    ("frozen", "ends.high - ends.low <= tolerance[ends.rows] + 1e-09 * np.abs(ends.high)"): ROUNDED,
    ("frozen", "moves.high - moves.low > _tolerance(scene, channel)[ends] + 1e-09 * np.abs(moves.high)"): ROUNDED,
    ("snow-melt", "t[rows] - min_at(t, scene.time, rows, lately, 0) >= limit['rise'] - _ROUNDING"): ROUNDED,
    ("frozen", "quantum <= scene.limits.number(_ID, finest) * (1 + 1e-09)"): ROUNDED,
    ("step", "told.worst > 0"): "a failing change is never 0",
    ("spike", "told.worst > 0"): "a failing excursion is never 0",
    ("common-mode", "told.worst > 0"): "a failing excursion is never 0",
    ("tendency", "told.worst > 0"): "a failing change is never 0",
    ("range", "told.worst > told.limit"): NEVER,
    ("climate", "told.worst > told.limit"): NEVER,
    ("sea-level", "told.worst > told.limit"): NEVER,
    ("closure", "told.worst > told.limit"): NEVER,
    ("saturation", "told.worst > told.limit"): NEVER,
    ("dew-point", "told.worst > told.limit"): NEVER,
    ("gust", "told.worst < told.limit"): NEVER,
    ("supply", "told.worst > told.limit"): NEVER,
    ("spike", "number > limit"): FILTER,
    ("spike", "np.abs(off) > least"): FILTER,
    ("dry-rain", "humid < limit"): FILTER,
    ("tendency", "np.abs(change) > least"): FILTER,
    ("dew-point", "td - t > above"): FILTER,
    ("dew-point", "np.abs(td - given) > odds"): FILTER,
    ("dew-point", "t[rows] < 0.0"): "at 0 degC the frost point of saturated air is its temperature",
    ("closure", "whole[rows] > total"): "chooses which limit is told; a sum that is met does not fail",
    ("twin", "code > verdict"): "chooses which number is told; the verdict is the same",
    ("twin", "apart <= number"): "chooses which number is told; the verdict is the same",
    ("frozen", "turned.high - turned.low < found.high - found.low"): "as wide either way, and only the width is used",
    ("frozen", "(scene.time[1:] - scene.time[:-1]).astype(np.int64) * 2 <= 3 * (scene.table.interval_us or 0)"): (
        NO_LIMIT + "rows on a grid are never one and a half intervals apart"
    ),
    ("gust", "(scene.time[1:] - scene.time[:-1]).astype(np.int64) * 2 <= 3 * scene.table.interval_us"): (
        NO_LIMIT + "rows on a grid are never one and a half intervals apart"
    ),
    ("gust", "scene.rows > 1"): NO_LIMIT + "a single row has none beside it",
    ("saturation", "last >= 0"): NO_LIMIT + "a single row of rain is no six hours of it",
    ("shield", "scene.sun_elevation > 0.0"): NO_LIMIT + "at no microsecond does the sun stand just on the horizon",
    ("tip-size", "rain > 0"): NO_LIMIT + "nothing is a whole number of tips",
    ("dew-point", "sign < 0"): NO_LIMIT + "it is 1 or -1",
    ("persistence", "coarsest <= finest * (1 + 1e-09)"): "only chooses which limits `why` lists; rounded up",
    ("neighbour", "scene.rows < 3"): NO_LIMIT + "of two rows none stands between two others",
    ("neighbour", "read > estimate"): "chooses which limit is told; a value that is met does not fail",
    ("neighbour", "told.worst > 0"): "a failing difference is never 0",
}
"""Comparisons that give the same either way, with why."""

EDGES = (
    "calm.high_sun",
    "closure.direct_offset",
    "closure.tolerance_low",
    "closure.zenith",
    "closure.zenith_bound",
    "common-mode.part",
    "common-mode.restless",
    "dark-day.least_elevation",
    "dark-day.short_share",
    "dew-point.odds",
    "dry-rain.brightness",
    "gust.factor",
    "gust.slack",
    "icing.humidity",
    "night.zenith",
    "persistence.daylight",
    "saturation.rain_clearness",
    "snow-melt.brightness",
    "spike.air_temperature",
    "spike.curve.air_pressure",
    "tip-size.rounding",
    "vane.least_change",
    "vane.present",
    "vane.share",
)
"""Limits that are moved onto what a case compares with them: the sun, or a product, which no table can write down."""

BORROWED = {"closure": ("clear-sky.least_elevation",)}
"""The same for limits of another check."""

REACHES: dict[str, tuple[float, tuple[float, float]]] = {
    "spike": (7200.0, (54_000.0, 54_000.0)),
    "common-mode": (7200.0, (54_000.0, 54_000.0)),
    "gust": (3600.0, (5400.0, 5400.0)),
    "calm": (10_800.0, (21_600.0, 21_600.0)),
    "vane": (14_400.0, (57_600.0, 57_600.0)),
    "icing": (10_800.0, (88_200.0, 27_000.0)),
    "drip": (1800.0, (68_400.0, 81_000.0)),
    "neighbour": (3600.0, (32_400.0, 32_400.0)),  # 6 h, two intervals, and one of the neighbour's longest
}
"""For checks that say nothing of long intervals the longest one (s), and how far they reach in it (s), by hand."""


@cache
def edges(check: str, limit: str) -> list[Case]:
    """A dozen cases with a limit on what they compare with it, or one bit beyond: found by bisecting the limit."""
    found = []
    number = next(n for n in numbers() if (n.limit, n.climate) == (limit, None))
    for case, before in told(check):
        if limit in overridden(case.data.get("rules", {})) or len(found) >= 12:
            continue
        made_of = scene(case)
        shipped = made_of.limits[limit].at(made_of.interval_s)
        for moved in (shipped + float(number.step), shipped - float(number.step)):
            if outcome(under(case, limit, moved)) != before:
                found += _bisected(case, limit, before, shipped, moved)
                break
    return found


def _bisected(case: Case, name: str, before: dict[str, list[str] | str], same: float, other: float) -> list[Case]:
    while True:
        middle = (same + other) / 2.0
        if middle in (same, other):
            return [under(case, name, same), under(case, name, other)]
        if outcome(under(case, name, middle)) == before:
            same = middle
        else:
            other = middle


def reached(check: Check) -> list[tuple[float, float]]:
    """How far a check reaches in the longest interval, and in one a second longer."""
    longest = REACHES[check.id][0] if check.id in REACHES else 0.0
    return [check.reach(in_force(), s) for s in (longest, longest + 1.0)] if longest else []


@pytest.mark.parametrize("check", REACHES)
def test_reach_in_the_longest_interval(check: str) -> None:
    assert reached(registry()[check]) == [REACHES[check][1], (0.0, 0.0)]


def comparisons(check: str) -> list[str]:
    tree = ast.parse(inspect.getsource(_module(check)))
    found = [n for n in ast.walk(tree) if isinstance(n, ast.Compare) and any(type(op) in SWAPS for op in n.ops)]
    return list(dict.fromkeys(ast.unparse(n) for n in found))


def _module(check: str) -> ModuleType:
    return importlib.import_module(registry()[check].run.__module__)


def _swapped(check: str, comparison: str) -> Check:
    """The check with `>` for `>=` in one of its comparisons, or the other way round."""

    class Swap(ast.NodeTransformer):
        def visit_Compare(self, node: ast.Compare) -> ast.AST:
            if ast.unparse(node) == comparison:
                node.ops = [SWAPS.get(type(op), type(op))() for op in node.ops]
            return self.generic_visit(node)

    module = _module(check)
    tree = ast.fix_missing_locations(Swap().visit(ast.parse(inspect.getsource(module))))
    inside: dict[str, Any] = {"__name__": module.__name__}
    exec(compile(tree, module.__file__ or check, "exec"), inside)
    found: Check = inside["CHECK"]
    return found


@pytest.mark.parametrize(
    ("check", "comparison"),
    [(c, text) for c in registry() if c not in NOT_OF_VALUES for text in comparisons(c) if (c, text) not in UNNOTICED],
)
def test_the_other_comparison_is_noticed(check: str, comparison: str, monkeypatch: pytest.MonkeyPatch) -> None:
    mutant = _swapped(check, comparison)
    before = comparable(check)
    with_mutant = {**registry(), check: mutant}
    monkeypatch.setattr(cases, "registry", lambda: with_mutant)
    assert reached(mutant) != reached(registry()[check]) or any(outcome(case) != found for case, found in before), (
        f"no case of {check} lies on {comparison}"
    )


@cache
def comparable(check: str) -> list[tuple[Case, dict[str, list[str] | str]]]:
    """Cases that a check with another comparison is tried on: the table's first, then those made here."""
    more = [case for number in numbers() if number.check == check for case in made(number)]
    limits = [limit for limit in EDGES if limit.split(".")[0] == check] + list(BORROWED.get(check, ()))
    more += [case for limit in limits for case in edges(check, limit)]
    return told(check) + [(case, outcome(case)) for case in more]


def test_unnoticed_comparisons_are_still_there() -> None:
    for check, text in UNNOTICED:
        assert text in comparisons(check)


def test_every_quantity_has_a_limit_or_is_known_to_have_none() -> None:
    limited = {n.key.rsplit(".", 1)[0] for n in numbers() if n.check == "range"}
    assert set(quantities()) - limited == {"leaf_wetness", "other"}
