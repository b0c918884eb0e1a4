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
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from qc.checks import Check, registry
from qc.physics import sun
from qc.places import folder
from qc.quantities import quantities
from tests.checks import cases
from tests.checks.cases import Case, outcome, tables

FIRST = ("range", "step", "clear-sky", "sea-level")


@dataclass(frozen=True, eq=False)
class Number:
    """One number of a limit: `place` tells where in a list of [interval, number], and is None where it stands alone."""

    check: str
    key: str
    place: int | None
    number: Decimal
    value: Any

    @property
    def name(self) -> str:
        return f"{self.check}.{self.key}" + ("" if self.place is None else f" at {self.value[self.place][0]}")

    @property
    def interval(self) -> str:
        return "10min" if self.place is None else str(self.value[self.place][0])

    def moved(self, units: int) -> Any:
        """The limit's value with this number moved by some units of the last place that is written."""
        exponent = self.number.as_tuple().exponent
        assert isinstance(exponent, int)
        number = float(self.number + units * Decimal(1).scaleb(min(exponent, 0)))
        if self.place is None:
            return number
        return [[span, number if n == self.place else float(v)] for n, (span, v) in enumerate(self.value)]


@cache
def numbers() -> list[Number]:
    return list(_numbers())


def _numbers() -> Iterator[Number]:
    for path in sorted((folder("rules") / "checks").glob("*.toml")):
        for entry in tomllib.loads(path.read_text("utf-8"), parse_float=Decimal).get("limit", []):
            value = entry["value"]
            if isinstance(value, list):
                for place, (_, number) in enumerate(value):
                    yield Number(path.stem, entry["key"], place, Decimal(number), value)
            else:
                yield Number(path.stem, entry["key"], None, Decimal(value), value)


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
    name, value = f"{number.check}.{number.key}", number.moved(units)
    for case in made(number):
        if outcome(case) != outcome(under(case, name, value)):
            return True
    for case, before in told(number.check):
        if name not in overridden(case.data.get("rules", {})) and outcome(under(case, name, value)) != before:
            return True
    return False


OWED = frozenset((cases.FOLDER / "unnoticed.txt").read_text("utf-8").split("\n")) - {""}
"""Limits that the tables do not notice yet, one a line: a debt, to be paid with cases. A line that is paid must go."""


@pytest.mark.parametrize("number", numbers(), ids=lambda n: n.name)
def test_a_moved_limit_is_noticed(number: Number) -> None:
    missed = [way for units, way in ((1, "raised"), (-1, "lowered")) if not noticed(number, units)]
    if number.name in OWED:
        assert missed, f"the cases notice {number.name} now: strike it out of tests/checks/unnoticed.txt"
    else:
        assert not missed, f"no case of {number.check} notices {number.name} {' or '.join(missed)} by one unit"


def test_no_debt_for_a_limit_that_is_gone() -> None:
    assert {n.name for n in numbers()} >= OWED
    assert not [name for name in OWED if name.split(".")[0] in FIRST], "the first checks owe nothing"


# --- cases made by rule


@cache
def made(number: Number) -> list[Case]:
    """Cases on the number and a hair beyond, where one can be made without thought."""
    maker = {
        "range": _range,
        "step": _step,
        "clear-sky": _clear_sky,
        "sea-level": _sea_level,
    }.get(number.check)
    return maker(number) if maker else []


def _case(number: Number, channels: dict[str, Any], **more: Any) -> Case:
    return Case(
        number.check,
        f"made for {number.name}",
        {"channels": channels, "expect": dict.fromkeys(channels), **more},
    )


def _range(number: Number) -> list[Case]:
    quantity, key = number.key.rsplit(".", 1)
    bound = float(number.number)
    beyond = np.nextafter(bound, -np.inf if key.startswith("low") else np.inf)
    channel = {"quantity": quantity, "values": [bound, float(beyond)]}
    return [_case(number, {"c": channel}, interval=number.interval)]


def _step(number: Number) -> list[Case]:
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
    values = [bound, float(np.nextafter(bound, 0.0)), float(np.nextafter(bound, 1e9))]
    return _case(number, {"c": {"quantity": "air_pressure", "values": values}}, at=at)


def _clear_sky(number: Number) -> list[Case]:
    """A high sun for the model, a low one, one on the least elevation; a row a case: the sun moves between rows."""
    found = []
    starts = ["2026-06-21T12:10:00Z", "2026-06-21T05:10:00Z"]
    if number.key == "least_elevation":
        starts += [
            at_elevation(float(number.number)),
            at_elevation(float(number.number) - 0.05),
        ]
    for start in starts:

        def case(value: float, start: str = start) -> Case:
            channel = {"quantity": "global_irradiance", "values": [value]}
            return _case(
                number,
                {"c": channel},
                interval=number.interval,
                stamps="instant",
                start=start,
            )

        for verdict in (
            "2",
            "3",
        ):  # between which values it begins to fail: found by bisection
            low, high = 0.0, 4000.0
            for _ in range(60):
                middle = (low + high) / 2.0
                low, high = (low, middle) if outcome(case(middle))["c"][0] >= verdict else (middle, high)
            found += [case(low), case(high)]
    return found


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
    [n for n in numbers() if n.check in ("range", "step")],
    ids=lambda n: n.name,
)
def test_on_the_limit_passes_and_a_hair_beyond_fails(number: Number) -> None:
    (case,) = made(number)
    found = outcome(case)["c"]
    if number.check == "step":
        assert found == ["0", "0", "0", "2", "0", "0"]
    else:
        assert found[1] == ("2" if number.key.endswith("doubtful") else "3")
        assert found[0] < found[1]


def traps(bound: Decimal) -> list[Decimal]:
    """Values, in hundredths, from which a change by the bound comes out a hair larger in doubles: 4.4 - 1.4."""
    starts = [Decimal(n) / 100 for n in range(-3000, 3000)]
    return [v for v in starts if float(v + bound) - float(v) > float(bound)]


TRAPPED = [n for n in numbers() if n.check == "step" and len(traps(n.number)) >= 5]


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

ROUNDED = "the limit is widened by a rounding, so that no change written in digits lies on it"

UNNOTICED = {
    ("step", "size > limit"): ROUNDED,
    ("step", "size <= limit"): ROUNDED,
    ("step", "size[jumps - 1] <= limit[jumps - 1]"): ROUNDED,
    ("step", "told.worst > 0"): "a failing change is never 0",
    ("range", "told.worst > told.limit"): "a failing value is never its limit",
    ("sea-level", "told.worst > told.limit"): "a failing value is never its limit",
}
"""Comparisons that give the same either way, with why."""


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
    [(c, text) for c in FIRST for text in comparisons(c) if (c, text) not in UNNOTICED],
)
def test_the_other_comparison_is_noticed(check: str, comparison: str, monkeypatch: pytest.MonkeyPatch) -> None:
    mutant = _swapped(check, comparison)
    more = [case for number in numbers() if number.check == check for case in made(number)]
    before = [(case, outcome(case)) for case in more] + told(check)
    with_mutant = {**registry(), check: mutant}
    monkeypatch.setattr(cases, "registry", lambda: with_mutant)
    assert any(outcome(case) != found for case, found in before), f"no case of {check} lies on {comparison}"


def test_unnoticed_comparisons_are_still_there() -> None:
    for check, text in UNNOTICED:
        assert text in comparisons(check)


def test_every_quantity_has_a_limit_or_is_known_to_have_none() -> None:
    limited = {n.key.rsplit(".", 1)[0] for n in numbers() if n.check == "range"}
    assert set(quantities()) - limited == {"leaf_wetness", "other"}
