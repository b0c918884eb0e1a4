"""Limits as data: each has its unit, source and standing; what overrides them; steps by interval; the sum over all."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.checks import registry
from qc.errors import RulesError
from qc.limits import STANDINGS, Limit, in_force, sources
from qc.places import folder
from qc.station import climates

HIGH = "range.air_temperature.high"
RULES = folder("rules")
ENTRIES = [
    pytest.param(entry, path, id=f"{path.stem}-{entry['key']}")
    for path in [*sorted((RULES / "checks").glob("*.toml")), *sorted((RULES / "climates").glob("*.toml"))]
    for entry in tomllib.loads(path.read_text("utf-8")).get("limit", [])
]


def _limit(value: Any) -> Limit:
    return Limit("step", "air_temperature", value, "K", "Fairvane", "judgement")


def _override(value: object = 55.0, reason: object = "a hot valley") -> dict[str, object]:
    return {"value": value, "reason": reason}


# ---- as shipped


@pytest.mark.parametrize(("entry", "path"), ENTRIES)
def test_every_limit_has_unit_source_and_standing(entry: dict[str, Any], path: Path) -> None:
    assert entry["unit"]
    assert entry["standing"] in STANDINGS
    assert sources()[entry["source"]]
    assert entry.get("verdict") in (None, "inconsistent", "doubtful", "wrong")
    assert entry.get("check", path.stem) in registry()
    assert (path.parent.name == "climates") == ("check" in entry), "a check's own file names no check, a climate's does"
    if entry["source"] == "Fairvane":
        assert entry["standing"] in ("computed", "measured", "judgement", "common practice"), (
            "our own number was read nowhere"
        )


@pytest.mark.parametrize("climate", [None, *climates()])
def test_every_climate_can_be_used(climate: str | None) -> None:
    limits = in_force(climate)
    assert len(limits) >= len(in_force(None))
    for name, limit in limits.items():
        assert limit.name == name
        assert limit.origin.startswith("rules/")
        assert math.isfinite(limit.at(600.0))


@pytest.mark.parametrize("climate", climates())
def test_lower_bounds_lie_below_upper_ones(climate: str) -> None:
    limits = in_force(climate)
    pairs = [
        (n, n.replace("low", "high"))
        for n in limits
        if n.rsplit(".", 1)[-1].startswith("low") and n.replace("low", "high") in limits
    ]
    assert pairs
    for low, high in pairs:
        assert limits[low].at(600.0) < limits[high].at(600.0), (low, high)


def test_sources_that_limits_name_are_there_and_have_titles() -> None:
    used = {entry.values[0]["source"] for entry in ENTRIES}  # type: ignore[index]
    assert used <= set(sources())
    assert all(title.strip() for title in sources().values())


def test_climate_goes_before_the_check_s_own_file() -> None:
    assert in_force(None)["sea-level.low_doubtful"].at(None) == 915.0
    assert in_force("temperate")["sea-level.low_doubtful"].at(None) == 935.0
    assert in_force("temperate")["sea-level.low_doubtful"].origin == "rules/climates/temperate.toml"


# ---- steps by interval

STEPS = ((60.0, 3.0), (600.0, 8.0), (3600.0, 12.0))


@pytest.mark.parametrize(
    ("interval", "number"),
    [
        (None, 3.0),
        (1.0, 3.0),
        (60.0, 3.0),
        (600.0, 8.0),
        (3600.0, 12.0),
        (86400.0, 12.0),
        (math.sqrt(60.0 * 600.0), 5.5),  # half way by the logarithm
        (120.0, round(3.0 + 5.0 * math.log(2) / math.log(10), 6)),
        (1800.0, round(8.0 + 4.0 * math.log(3) / math.log(6), 6)),
    ],
)
def test_steps_on_and_between(interval: float | None, number: float) -> None:
    assert _limit(STEPS).at(interval) == number


def test_one_step_holds_everywhere_and_a_number_too() -> None:
    assert [_limit(((60.0, 3.0),)).at(s) for s in (1.0, 60.0, 3600.0)] == [3.0, 3.0, 3.0]
    assert [_limit(7.0).at(s) for s in (None, 60.0)] == [7.0, 7.0]


@given(st.floats(1.0, 1e6))
def test_steps_stay_between_their_neighbours(interval: float) -> None:
    number = _limit(STEPS).at(interval)
    assert 3.0 <= number <= 12.0
    assert number <= _limit(STEPS).at(interval * 1.5)


# ---- overrides

FORMS = {
    "quoted": '"range.air_temperature.high" = { value = 55.0, reason = "a hot valley" }',
    "dotted": 'range.air_temperature.high = { value = 55.0, reason = "a hot valley" }',
    "deeper": 'range.air_temperature.high.value = 55.0\nrange.air_temperature.high.reason = "a hot valley"',
    "half": '"range.air_temperature".high = { value = 55.0, reason = "a hot valley" }',
    "nested": '[range]\n[range.air_temperature]\nhigh = { value = 55, reason = " a hot valley " }',
    "tables": '[range.air_temperature.high]\nvalue = 55.0\nreason = "a hot valley"',
    "under-rules": '[rules.range.air_temperature.high]\nvalue = 55.0\nreason = "a hot valley"',
}


@pytest.mark.parametrize("text", FORMS.values(), ids=FORMS)
def test_forms_of_an_override(tmp_path: Path, text: str) -> None:
    path = tmp_path / "r.toml"
    path.write_text(text)
    given = tomllib.loads(text)
    for limits in (in_force(None, path), in_force(None, None, given.get("rules", given))):
        assert limits[HIGH].value == 55.0
        assert limits[HIGH].reason == "a hot valley"
        assert {n for n in limits if limits[n].value != in_force()[n].value} == {HIGH}
    assert in_force(None, path)[HIGH].origin == "rules file"
    assert in_force(None, None, {HIGH: _override()})[HIGH].origin == "station file"


def test_station_file_goes_before_the_rules_file(tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    path.write_text(FORMS["dotted"])
    limits = in_force("temperate", path, {HIGH: _override(52.0)})
    assert (limits[HIGH].value, limits[HIGH].origin) == (52.0, "station file")


def test_override_keeps_unit_source_and_verdict() -> None:
    before, after = in_force()[HIGH], in_force(None, None, {HIGH: _override()})[HIGH]
    assert (after.unit, after.source, after.standing, after.verdict) == (
        before.unit,
        before.source,
        before.standing,
        before.verdict,
    )
    assert in_force()[HIGH] == before, "an override must not stay"


def test_override_by_interval() -> None:
    steps = [["1min", 2.0], ["1h", 10.0]]
    limit = in_force(None, None, {"step.air_temperature": _override(steps)})["step.air_temperature"]
    assert limit.value == ((60.0, 2.0), (3600.0, 10.0))
    assert in_force(None, None, {HIGH: _override(steps)})[HIGH].at(60.0) == 2.0


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        (
            {"range.air_temperature.hihg": _override()},
            f"range.air_temperature.hihg: is no limit (nearest known: {HIGH})",
        ),
        ({"xyzzy": _override()}, "xyzzy: is no limit; `fairvane rules` lists them"),
        ({"range": 5}, "range: is no limit"),
        ({"range": {}}, "range: is no limit"),
        ({HIGH: {"value": 55.0}}, f"{HIGH}: needs a value and a reason"),
        ({HIGH: {"reason": "x"}}, f"{HIGH}: needs a value and a reason"),
        ({HIGH: _override(reason="  ")}, f"{HIGH}: needs a value and a reason"),
        ({HIGH: 55.0}, f"{HIGH}: needs a value and a reason"),
        ({HIGH: {**_override(), "unit": "K"}}, f"{HIGH}: knows no key 'unit'"),
        ({HIGH: _override("hot")}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override(True)}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override(math.nan)}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override(math.inf)}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([])}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([["1min", 1.0], ["1min", 2.0]])}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([["1h", 1.0], ["1min", 2.0]])}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([["1min", 1.0, 2.0]])}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([["1min", [["1h", 1.0]]]])}, f"{HIGH}: value is neither a number nor a list"),
        ({HIGH: _override([["infs", 1.0]])}, f"{HIGH}: value 'infs' is no duration"),
        ({HIGH: _override([["-1min", 1.0]])}, f"{HIGH}: value '-1min' is no duration"),
        ({HIGH: _override([[60, 1.0]])}, f"{HIGH}: value 60 is no duration"),
    ],
)
def test_overrides_refused(overrides: Mapping[str, Any], words: str) -> None:
    with pytest.raises(RulesError) as error:
        in_force(None, None, overrides, where="s.toml: rules")
    line = str(error.value)
    assert line.startswith(f"s.toml: rules: {words}")
    assert "; " in line


def test_wrong_value_is_told_with_the_one_shipped() -> None:
    with pytest.raises(
        RulesError, match=r'mend it; shipped is \[\["60s", 3.0\], \["600s", 8.0\], \["3600s", 12.0\]\]$'
    ):
        in_force(None, None, {"step.air_temperature": _override("much")})


# ---- the whole


def test_limits_are_a_mapping_in_order_of_names() -> None:
    limits = in_force()
    assert list(limits) == sorted(limits)
    assert limits.find("range", "air_temperature.high") is limits[HIGH]
    assert limits.find("range", "no.such") is None
    assert limits.number("range", "air_temperature.high") == limits[HIGH].value
    with pytest.raises(KeyError):
        limits.number("range", "no.such")


def test_sum_tells_the_numbers_and_nothing_else() -> None:
    plain = in_force().sha256
    assert plain == in_force("any").sha256 == in_force(None, None, {}).sha256
    assert in_force(None, None, {HIGH: _override(in_force()[HIGH].value, "the same")}).sha256 == plain, (
        "a reason is no rule"
    )
    others = [in_force(None, None, {HIGH: _override(v)}).sha256 for v in (55.0, 55.1, [["1min", 55.0]])]
    assert len({plain, in_force("temperate").sha256, *others}) == 5
    assert len(plain) == 64
