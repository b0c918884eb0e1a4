"""The list of quantities is the contract's, and a new one takes no code."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from qc.errors import RulesError, StationFileError
from qc.quantities import STATISTICS, quantities, quantity, read_quantities

# contract section 3, "Quantities and the unit that outputs use"
CONTRACT = {
    "air_temperature": "degC",
    "relative_humidity": "%",
    "dew_point": "degC",
    "air_pressure": "hPa",
    "sea_level_pressure": "hPa",
    "wind_speed": "m/s",
    "wind_gust": "m/s",
    "wind_direction": "degree",
    "global_irradiance": "W/m2",
    "diffuse_irradiance": "W/m2",
    "direct_irradiance": "W/m2",
    "reflected_irradiance": "W/m2",
    "longwave_down": "W/m2",
    "longwave_up": "W/m2",
    "net_radiation": "W/m2",
    "par": "umol/m2/s",
    "sunshine": "s",
    "precipitation": "mm",
    "snow_depth": "m",
    "soil_temperature": "degC",
    "soil_moisture": "m3/m3",
    "surface_temperature": "degC",
    "leaf_wetness": "1",
    "battery_voltage": "V",
    "charge_voltage": "V",
    "logger_temperature": "degC",
    "other": "",
}

EXAMPLE = """
[evaporation]
unit = "mm"
title = "evaporation in the interval"
dimension = "millimeter"
kind = "amount"
circular = false
statistics = ["total"]
"""


def test_quantities_and_units_are_those_of_the_contract() -> None:
    assert {name: q.unit for name, q in quantities().items()} == CONTRACT


def test_kinds() -> None:
    by_kind = {q.kind: {p.name for p in quantities().values() if p.kind == q.kind} for q in quantities().values()}
    assert by_kind["amount"] == {"sunshine", "precipitation"}
    assert by_kind["any"] == {"other"}
    assert by_kind["flux"] == {name for name, unit in CONTRACT.items() if unit in ("W/m2", "umol/m2/s")}


def test_only_wind_direction_is_circular() -> None:
    assert [q.name for q in quantities().values() if q.circular] == ["wind_direction"]


def test_the_first_statistic_is_the_usual_one() -> None:
    first = {name: q.statistics[0] for name, q in quantities().items()}
    assert first["wind_gust"] == "max"
    assert first["precipitation"] == first["sunshine"] == "total"
    assert first["air_temperature"] == first["wind_direction"] == first["global_irradiance"] == "mean"
    assert quantity("other").statistics == STATISTICS


def test_title_is_told_of_every_quantity() -> None:
    titles = [q.title for q in quantities().values()]
    assert all(titles) and len(set(titles)) == len(titles)


def test_read_once_and_for_reading_only() -> None:
    assert quantities() is quantities()
    with pytest.raises(TypeError):
        quantities()["air_temperature"] = quantity("other")  # type: ignore[index]
    with pytest.raises(FrozenInstanceError):
        quantity("par").unit = "W/m2"  # type: ignore[misc]


def test_an_unknown_name_gets_the_nearest_known() -> None:
    with pytest.raises(
        StationFileError, match=r"^'air_temperatur' is not a quantity \(nearest known: air_temperature\)$"
    ):
        quantity("air_temperatur")


def test_a_new_quantity_takes_no_code(tmp_path: Path) -> None:
    file = tmp_path / "quantities.toml"
    file.write_text(EXAMPLE, encoding="utf-8")
    new = read_quantities(file)["evaporation"]
    assert (new.name, new.unit, new.kind, new.circular, new.statistics) == (
        "evaporation",
        "mm",
        "amount",
        False,
        ("total",),
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "amount"', 'kind = "sum"', "kind must be one of level, flux, amount, any"),
        ("circular = false", 'circular = "no"', "circular is no bool"),
        ('statistics = ["total"]', "statistics = []", "statistics must be some of"),
        ('statistics = ["total"]', 'statistics = ["median"]', "statistics must be some of"),
        ('unit = "mm"', "", "needs the keys unit, title"),
        ('unit = "mm"', 'unit = "mm"\nlimit = 3', "and no others"),
    ],
)
def test_a_faulty_table_is_refused_by_name(tmp_path: Path, old: str, new: str, said: str) -> None:
    file = tmp_path / "quantities.toml"
    assert old in EXAMPLE
    file.write_text(EXAMPLE.replace(old, new), encoding="utf-8")
    with pytest.raises(RulesError) as caught:
        read_quantities(file)
    assert caught.value.where == "quantities.toml, [evaporation]"
    assert said in str(caught.value)


@pytest.mark.parametrize("content", [b"[a\n", b"\xff\xfe"])
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "quantities.toml"
    file.write_bytes(content)
    with pytest.raises(RulesError, match="cannot be read"):
        read_quantities(file)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="cannot be read"):
        read_quantities(tmp_path / "none.toml")
