"""Units: every usual spelling, exact digits, and no way past the dimension."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.errors import StationFileError
from qc.places import folder
from qc.quantities import quantities
from qc.units import LONGEST, apply, apply_scale, conversion, fold, guess_quantities_for_unit, spellings
from tests.shared import shared

BOOK: dict[str, Any] = tomllib.loads((folder("rules") / "units.toml").read_text(encoding="utf-8"))
STANDINGS = {"published", "from memory", "computed", "common practice", "measured", "judgement"}


def entries() -> list[tuple[str, dict[str, Any]]]:
    """(name of a quantity that the entry serves, entry) for each entry of `of` and `to`."""
    by_unit = {q.unit: q.name for q in quantities().values()}
    own = [(name, entry) for name, group in BOOK["of"].items() for entry in group]
    return own + [(by_unit[unit], entry) for unit, group in BOOK["to"].items() for entry in group]


def exact(text: str) -> float:
    above, _, below = text.partition("/")
    return float(Fraction(above) / Fraction(below or "1"))


# ---- case tables: spellings


TEMPERATURES = [name for name, q in quantities().items() if q.unit == "degC"]
PRESSURES = [name for name, q in quantities().items() if q.unit == "hPa"]
IRRADIANCES = [name for name, q in quantities().items() if q.unit == "W/m2"]

# quantities; spellings; a value as written; the same value in the unit of the outputs; interval of the table, s
CASES: list[tuple[list[str], str, float, float, float | None]] = [
    (
        TEMPERATURES,
        "Deg C|degC|deg C|°C|?C|ºC|˚C|\ufffdC|Â°C|℃|C|c|oC|° C|(degC)|[°C]|deg_C|deg. C|degrees C|Celsius",
        21.5,
        21.5,
        None,
    ),
    (TEMPERATURES, "degF|F|?F|°F|\ufffdF|Deg F|f|oF|degrees Fahrenheit", 68.0, 20.0, None),
    (TEMPERATURES, "K|k|kelvin|Kelvin|°K|?K|deg K", 280.05, 6.9, None),
    (PRESSURES, "hPa|HPA|hpa|mB|mb|MB|Mb|mbar|mBar|millibars|(mbar)", 1013.25, 1013.25, None),
    (PRESSURES, "kPa|KPa|kpa", 101.325, 1013.25, None),
    (PRESSURES, "Pa|pa", 101325.0, 1013.25, None),
    (PRESSURES, "inHg|INHG|in Hg|in. Hg|inches of mercury", 1.0, 33.86388640341, None),
    (PRESSURES, "mmHg|mm Hg|MMHG", 1.0, 1.33322387415, None),
    (PRESSURES, "10 Pa|10Pa|10 * Pa", 10132.5, 1013.25, None),
    (["relative_humidity"], "%|percent|Percent|per cent|% RH|%RH|RH %|RH|pct|％", 55.5, 55.5, None),
    (["relative_humidity"], "1|fraction|0-1", 0.555, 55.5, None),
    (
        ["wind_speed", "wind_gust"],
        "m/s|M/S|m s-1|m s^-1|m s**-1|m s⁻¹|m·s⁻¹|m s−1|m.s-1"
        "|ms-1|mps|meters/second|metres per second|m/sec|[m/s]|(m/s)",
        7.25,
        7.25,
        None,
    ),
    (["wind_speed", "wind_gust"], "km/h|kmh|kph|km h-1|km/hr|Km/H|kilometers per hour", 36.0, 10.0, None),
    (["wind_speed", "wind_gust"], "kn|kt|kts|KT|knot|knots|Knots", 3600.0, 1852.0, None),
    (["wind_speed", "wind_gust"], "mph|MPH|mi/h|miles/hour|miles per hour", 100.0, 44.704, None),
    (
        ["wind_direction"],
        "deg|Deg|degree|degrees|°|º|\ufffd|(°)|gr|(gr)|° (gr)|? (gr)|\ufffd (gr)"
        "|degrees true|deg. true|°T|degT|true degrees",
        350.5,
        350.5,
        None,
    ),
    (["wind_direction"], "gon|grad|Gon|gradians", 100.0, 90.0, None),
    (["wind_direction"], "rad|radians", 1.0, 57.29577951308232, None),
    (["wind_direction"], "10 deg|10°", 35.0, 350.0, None),
    (
        IRRADIANCES,
        "W/m²|W/m2|W m-2|W m^-2|W m⁻²|W·m⁻²|W/m^2|W/m**2|Wm-2|w/m2"
        "|watts/meter^2|Watts per square metre|W/m?|W/m\ufffd|W/mÂ²|W_m-2|W/㎡|W/(m2)",
        865.92,
        865.92,
        None,
    ),
    (IRRADIANCES, "kW/m2|kW m-2|KW/m²", 1.1, 1100.0, None),
    (IRRADIANCES, "Kj/m²|kJ/m2|kJ m-2|KJ/M2|kJ/m^2|kJ/m**2|kJ/m?|kJ/m\ufffd", 3600.0, 1000.0, 3600.0),
    (IRRADIANCES, "MJ/m²|MJ/m2|MJ m-2|MJ/m\ufffd|Mj/m²", 0.1213728, 404.576, 300.0),
    (IRRADIANCES, "J/m2|J m-2", 600000.0, 1000.0, 600.0),
    (IRRADIANCES, "J/cm2|J/cm²|J cm-2", 360.0, 1000.0, 3600.0),
    (IRRADIANCES, "Wh/m2|W h/m2|Wh/m²|W·h/m²", 250.0, 1000.0, 900.0),
    (IRRADIANCES, "kWh/m2|kWh/m²", 0.25, 1000.0, 900.0),
    (IRRADIANCES, "MJ/m2/h|MJ m-2 h-1", 3.6, 1000.0, None),
    (IRRADIANCES, "MJ/m2/d|MJ m-2 d-1|MJ/m²/day", 8.64, 100.0, None),
    (
        ["par"],
        "µmol/m²/s|μmol/m²/s|\u00b5mol/m2/s|\u03bcmol/m2/s|umol m-2 s-1|umol/s/m^2|µmol m⁻² s⁻¹|umol/m2/s"
        "|µmol/(m² s)|?mol/m?/s|\ufffdmol/m\ufffd/s|µE|μE|uE|µE/m2/s|uE m-2 s-1|micromoles/m2/s|Âµmol/mÂ²/s",
        1686.33,
        1686.33,
        None,
    ),
    (["par"], "mmol/m2|mmol/m²|mmol m-2|mmol/m^2|Mmol/m2", 900.0, 1000.0, 900.0),
    (["par"], "mol/m2|mol m-2", 0.9, 1000.0, 900.0),
    (["par"], "mol/m2/d|mol m-2 d-1", 86.4, 1000.0, None),
    (["sunshine"], "s|sec|S|seconds", 540.0, 540.0, None),
    (["sunshine"], "min|Min|minutes", 9.0, 540.0, None),
    (["sunshine"], "h|hours|H|hr", 0.15, 540.0, None),
    (["sunshine"], "%|percent", 90.0, 540.0, 600.0),
    (["precipitation"], "mm|MM|(mm)|l/m2|L/m²|l m-2|litres/m2|kg/m2|kg m-2|millimetres|mm/tip|1 mm", 0.3, 0.3, None),
    (["precipitation"], "in|inch|In.|inches", 0.01, 0.254, None),
    (["precipitation"], "cm", 0.03, 0.3, None),
    (
        ["precipitation"],
        "0.254 mm|0.254mm|0.2540 mm|.254 mm|0.254 * mm|0.254 × mm|0.254 mm/tip|254e-3 mm|0.01 in|0.01inch",
        3.0,
        0.762,
        None,
    ),
    (["precipitation"], "0.1 mm", 3.0, 0.3, None),
    (["precipitation"], "mm/h|mm h-1|mm/hr|mm h⁻¹|mm per hour", 6.0, 1.0, 600.0),
    (["precipitation"], "mm/min|mm min-1", 0.1, 1.0, 600.0),
    (["precipitation"], "in/h|in/hr|inches per hour", 6.0, 25.4, 600.0),
    (["snow_depth"], "m|metres", 0.37, 0.37, None),
    (["snow_depth"], "cm|centimetres", 37.0, 0.37, None),
    (["snow_depth"], "mm", 370.0, 0.37, None),
    (["snow_depth"], "in|inches", 10.0, 0.254, None),
    (
        ["soil_moisture"],
        "m3/m3|m³/m³|m^3/m^3|m**3/m**3|m3 m-3|m³ m⁻³|m?/m?|m\ufffd/m\ufffd|cm3/cm3|1|v/v|M3/M3",
        0.234,
        0.234,
        None,
    ),
    (["soil_moisture"], "vol %|%|Vol.-%|% vol|vol%|percent|% VWC", 23.4, 0.234, None),
    (["leaf_wetness"], "1||-|fraction|dimensionless|counts", 0.7, 0.7, None),
    (["leaf_wetness"], "%", 70.0, 0.7, None),
    (["battery_voltage", "charge_voltage"], "Volts|V|v|volt|VDC|Vdc|V DC|(V)", 12.67, 12.67, None),
    (["battery_voltage", "charge_voltage"], "mV|mv|millivolts", 12670.0, 12.67, None),
]


@pytest.mark.parametrize(
    ("names", "texts", "given_value", "wanted", "interval_s"), CASES, ids=[c[1][:30] for c in CASES]
)
def test_spellings(names: list[str], texts: str, given_value: float, wanted: float, interval_s: float | None) -> None:
    for name in names:
        for text in texts.split("|"):
            for written in (text, f"  {text} "):
                found = conversion(name, written, interval_s)
                assert apply([given_value], found).tolist() == [wanted], (name, written, found)
                assert found.unit == written


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("air_pressure", "mbar"),
        ("air_pressure", "mB"),
        ("air_pressure", "1 hPa"),
        ("air_temperature", "?C"),
        ("wind_direction", "° (gr)"),
        ("par", "µE"),
        ("precipitation", "1.0 mm"),
        ("global_irradiance", "J m-2 s-1"),
    ],
)
def test_identity_keeps_every_bit(name: str, text: str) -> None:
    found = conversion(name, text)
    values = np.array([0.1 + 0.2, -0.12198487966471128, np.nan, 1e300])
    assert found.identity and found.factor == 1.0 and found.offset == 0.0
    assert apply(values, found) is values


def test_an_offset_is_no_identity() -> None:
    assert not conversion("air_temperature", "K").identity


def test_the_units_library_gives_whole_numbers_where_it_means_them() -> None:
    found = conversion("air_temperature", "mK")
    assert (found.numerator, found.divisor, found.shift) == (1.0, 1000.0, -273150.0)
    found = conversion("wind_speed", "m/min")
    assert (found.numerator, found.divisor, found.shift) == (1.0, 60.0, 0.0)


def test_an_amount_is_no_identity_unless_its_interval_makes_it_one() -> None:
    assert not conversion("global_irradiance", "kJ/m2", 3600.0).identity
    one = conversion("global_irradiance", "kJ/m2", 1000.0)
    assert one.identity and one.amount and not one.rate


@pytest.mark.parametrize(
    ("name", "text", "amount", "rate"),
    [
        ("global_irradiance", "W/m2", False, False),
        ("global_irradiance", "MJ/m2", True, False),
        ("par", "mmol/m2", True, False),
        ("precipitation", "mm", False, False),
        ("precipitation", "mm/h", False, True),
        ("sunshine", "min", False, False),
        ("sunshine", "%", False, True),
    ],
)
def test_what_the_interval_does(name: str, text: str, amount: bool, rate: bool) -> None:
    at_600, at_1200 = (conversion(name, text, s) for s in (600.0, 1200.0))
    assert (at_600.amount, at_600.rate) == (amount, rate)
    assert at_1200.factor == pytest.approx(at_600.factor * (0.5 if amount else 2.0 if rate else 1.0), rel=1e-15)


# ---- other stations' other units, by the units library


@pytest.mark.parametrize(
    ("name", "text", "value", "wanted", "interval_s"),
    [
        ("air_pressure", "N/dm**2", 1.0, 1.0, None),  # 100 Pa
        ("air_temperature", "mK", 280050.0, 6.9, None),
        ("air_temperature", "degR", 527.67, 20.0, None),  # 459.67 + 68
        ("wind_speed", "m/min", 60.0, 1.0, None),
        ("wind_direction", "turn", 0.25, 90.0, None),
        ("longwave_down", "kJ m-2 min-1", 6.0, 100.0, None),
        ("global_irradiance", "J/(m2 s)", 5.0, 5.0, None),
        ("global_irradiance", "mJ/cm2", 60000.0, 1000.0, 600.0),
        ("precipitation", "um", 254.0, 0.254, None),
        ("precipitation", "cm/h", 6.0, 10.0, 600.0),
        ("relative_humidity", "permille", 555.0, 55.5, None),
        ("snow_depth", "dm", 3.7, 0.37, None),
        ("snow_depth", "nm", 3.7e8, 0.37, None),
        ("air_pressure", "psi", 1.0, 68.94757293168361, None),  # NIST SP 811, appendix B.8: 6.894757 kPa
        ("snow_depth", "0.1 dm", 37.0, 0.37, None),
    ],
)
def test_the_units_library_reads_the_rest(
    name: str, text: str, value: float, wanted: float, interval_s: float | None
) -> None:
    assert apply([value], conversion(name, text, interval_s)).tolist() == pytest.approx([wanted], rel=1e-14)


# ---- refusals


OTHER_DIMENSION = [
    ("air_temperature", "hPa"),
    ("air_temperature", "%"),
    ("air_temperature", "W/m2"),
    ("air_temperature", "V"),
    ("air_pressure", "m"),
    ("air_pressure", "degC"),
    ("air_pressure", "millibyte"),
    ("air_pressure", "grain"),
    ("relative_humidity", "mB"),  # the units library calls bytes dimensionless
    ("relative_humidity", "deg"),  # and angles
    ("relative_humidity", "g/m3"),
    ("relative_humidity", "count"),
    ("soil_moisture", "rad"),
    ("soil_moisture", "kPa"),
    ("leaf_wetness", "ohm"),
    ("leaf_wetness", "min"),
    ("wind_speed", "m"),
    ("wind_speed", "km"),
    ("wind_speed", "deg"),
    ("wind_direction", "m/s"),
    ("wind_direction", "%"),
    ("global_irradiance", "lux"),
    ("global_irradiance", "umol/m2/s"),
    ("global_irradiance", "MJ"),
    ("par", "W/m2"),
    ("par", "lux"),
    ("sunshine", "m"),
    ("sunshine", "count"),
    ("sunshine", "W/m2"),
    ("precipitation", "min"),
    ("precipitation", "mm2"),
    ("snow_depth", "mm/h"),  # a level: no interval makes a depth of it
    ("battery_voltage", "A"),
    ("battery_voltage", "%"),
]


@pytest.mark.parametrize(("name", "text"), OTHER_DIMENSION)
def test_another_dimension_is_refused_with_the_nearest_known(name: str, text: str) -> None:
    with pytest.raises(StationFileError) as caught:
        conversion(name, text, 600.0)
    line = str(caught.value)
    assert line.startswith(f"'{text}' is of another dimension than {name} ({quantities()[name].unit}) (nearest known: ")
    assert line.count("\n") == 0


UNKNOWN = [
    ("air_temperature", ""),
    ("air_temperature", "   "),
    ("air_temperature", "deg"),
    ("air_temperature", "°"),
    ("air_temperature", "?"),
    ("relative_humidity", ""),
    ("relative_humidity", "?"),
    ("relative_humidity", "0.1"),
    ("soil_moisture", ""),
    ("precipitation", ""),
    ("precipitation", "1"),
    ("precipitation", "0.254"),
    ("precipitation", "0,254 mm"),
    ("precipitation", "0 mm"),
    ("precipitation", "-1 mm"),
    ("precipitation", "1e999 mm"),
    ("precipitation", "tips"),
    ("precipitation", "0.2 tips"),
    ("precipitation", "pt"),  # the units library would take the printers' point
    ("wind_direction", "?"),  # says that somebody did not know
    ("wind_direction", "deg magnetic"),
    ("wind_speed", "ms"),
    ("wind_speed", "Bft"),
    ("air_pressure", "Volt/m"),
    ("air_pressure", "blorp"),
    ("soil_moisture", "kg/kg"),
]


@pytest.mark.parametrize(("name", "text"), UNKNOWN)
def test_an_unknown_spelling_is_refused(name: str, text: str) -> None:
    with pytest.raises(StationFileError) as caught:
        conversion(name, text, 600.0)
    line = str(caught.value)
    assert f"{name} ({quantities()[name].unit})" in line
    assert caught.value.mend is not None or "(nearest known: " in line


@pytest.mark.parametrize(
    ("text", "mend"),
    [("tips", 'unit = "0.2 mm"'), ("Counts", 'unit = "0.2 mm"'), ("points", 'unit = "0.01 in"')],
)
def test_a_count_of_tips_is_asked_for_its_depth(text: str, mend: str) -> None:
    with pytest.raises(StationFileError) as caught:
        conversion("precipitation", text)
    assert mend in (caught.value.mend or "")


@pytest.mark.parametrize(
    ("text", "nearest"), [("hpaa", "hPa"), ("milibar", "millibar"), ("inch HG2", "inch Hg"), ("☃", "hPa")]
)
def test_nearest_known(text: str, nearest: str) -> None:
    with pytest.raises(StationFileError, match=rf"\(nearest known: {nearest}\)$"):
        conversion("air_pressure", text)


HOSTILE = [
    "m" * 10_000,
    "m" * (LONGEST + 1),
    "hPa\n",
    "hPa\nmbar",
    "h\x00Pa",
    "\u202ehPa",
    "h\u200bPa",
    "__import__('os')",
    "__import__",
    "().__class__",
    "m**99999999",
    "m**9**9**9**9",
    "m^9^9^9^9",
    "9**9**9**9 m",
    "1e99999999 m",
    "(" * 20 + "m" + ")" * 20,
    "((m))",
    "lambda: 1",
    "m; m",
    "m # m",
    "{m}",
    "m if m else m",
    "m" + "(" * 39,
    "ﷺﷺ",
    "½ m",
]


@pytest.mark.parametrize("text", HOSTILE, ids=[ascii(t)[:30] for t in HOSTILE])
def test_hostile_text_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(StationFileError) as caught:
        conversion("air_pressure", text, 600.0)
    line = str(caught.value)
    assert line.isprintable() and len(line) < 300
    if text != "{m}":  # a pair of brackets is skipped, as in `(mm)`
        assert guess_quantities_for_unit(text) == []


# those that are more than plain words and signs between them
@pytest.mark.parametrize("text", [t for t in HOSTILE if t not in ("__import__", "m if m else m")], ids=ascii)
def test_no_parser_sees_hostile_text(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import metpy.units

    class Alarm:
        def __getattr__(self, name: str) -> Any:
            raise AssertionError(f"the units library was asked for {name}")

    monkeypatch.setattr(metpy.units, "units", Alarm())
    with pytest.raises(StationFileError):
        conversion("air_pressure", text)


def test_the_longest_text_that_is_looked_at() -> None:
    assert conversion("air_pressure", "hPa".ljust(LONGEST)).identity
    with pytest.raises(StationFileError, match=f"over {LONGEST} characters"):
        conversion("air_pressure", "hPa".ljust(LONGEST + 1))


@given(st.text(max_size=45), st.sampled_from(sorted(quantities())))
def test_any_text_converts_or_is_refused_in_one_line(text: str, name: str) -> None:
    try:
        found = conversion(name, text, 600.0)
    except StationFileError as error:
        assert len(str(error).splitlines()) == 1
    else:
        assert 0 < found.factor < np.inf and np.isfinite(found.offset) and found.unit == text


@pytest.mark.parametrize(
    ("name", "text"), [("global_irradiance", "kJ/m2"), ("precipitation", "mm/h"), ("par", "mol m-2")]
)
def test_amounts_and_rates_need_an_interval(name: str, text: str) -> None:
    with pytest.raises(StationFileError, match="the table has no interval"):
        conversion(name, text)


@pytest.mark.parametrize("interval_s", [0.0, -600.0, float("nan"), float("inf")])
def test_an_interval_that_is_none(interval_s: float) -> None:
    with pytest.raises(StationFileError, match="cannot be used"):
        conversion("global_irradiance", "kJ/m2", interval_s)
    assert conversion("global_irradiance", "W/m2", interval_s).identity


def test_where_goes_in_front_and_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(StationFileError, match=r"^otter\.toml, channel p: 'blorp' is not a unit"):
        conversion("air_pressure", "blorp", where="otter.toml, channel p")
    with pytest.raises(StationFileError, match="is not a quantity"):
        conversion("air_presure", "hPa")


def test_other_is_carried_along() -> None:
    for text in ("RPM", "", "µS/cm", "?", "0.5 blorp", "x" * 2 * LONGEST):
        assert conversion("other", text).identity and conversion("other", text).unit == text
    for text in ("RPM\n", "x" * (2 * LONGEST + 1)):
        with pytest.raises(StationFileError):
            conversion("other", text)


# ---- the numbers


@pytest.mark.parametrize(("name", "entry"), [(n, e) for n, e in entries() if "pint" in e], ids=lambda x: str(x)[:40])
def test_factors_agree_with_the_units_library(name: str, entry: dict[str, Any]) -> None:
    from metpy.units import units as registry

    target = registry.parse_units(quantities()[name].dimension)
    over = entry.get("interval")
    if over:
        target = target * registry.second if over == "divides" else target / registry.second
    for value in (0.0, 1.0, -40.0, 1234.5):
        theirs = registry.Quantity(value, registry.parse_units(entry["pint"])).to(target).magnitude
        ours = apply([value], conversion(name, entry["spellings"][0], 1.0))[0]
        assert ours == pytest.approx(theirs, rel=1e-12, abs=1e-12)
    assert exact(entry["factor"]) == pytest.approx(conversion(name, entry["spellings"][0], 1.0).factor, rel=1e-15)


@pytest.mark.parametrize(("name", "entry"), entries(), ids=lambda x: str(x)[:40])
def test_every_number_has_a_source_and_a_standing(name: str, entry: dict[str, Any]) -> None:
    assert set(entry) <= {"factor", "shift", "interval", "pint", "spellings", "source", "standing"}
    assert "pint" in entry or "source" in entry
    assert ("source" in entry) == ("standing" in entry)
    said = {**BOOK["defaults"], **entry}
    assert said["source"] and said["standing"] in STANDINGS
    assert entry.get("interval", "divides") in ("divides", "multiplies")


# handbook section 6, "Units": as printed there, to its last digit; hPa, m/s, mm, W/m2
@pytest.mark.parametrize(
    ("name", "text", "printed", "interval_s"),
    [
        ("wind_speed", "kt", "0.51444", None),
        ("wind_speed", "mph", "0.44704", None),
        ("wind_speed", "km/h", "0.27778", None),
        ("air_pressure", "inHg", "33.8639", None),
        ("air_pressure", "mmHg", "1.33322", None),
        ("precipitation", "in", "25.4", None),
        ("global_irradiance", "MJ/m2", "277.78", 3600.0),
    ],
)
def test_published_factors(name: str, text: str, printed: str, interval_s: float | None) -> None:
    decimals = len(printed.partition(".")[2])
    assert f"{conversion(name, text, interval_s).factor:.{decimals}f}" == printed


@pytest.mark.parametrize(
    ("text", "value", "wanted"),
    [
        ("K", 273.15, 0.0),
        ("K", 0.0, -273.15),
        ("F", 32.0, 0.0),
        ("F", 212.0, 100.0),
        ("F", -40.0, -40.0),
        ("0.1 C", 215.0, 21.5),
        ("0.1 K", 2800.5, 6.9),
        ("0.1 F", 680.0, 20.0),
    ],
)
def test_temperatures(text: str, value: float, wanted: float) -> None:
    found = conversion("air_temperature", text)
    assert apply([value], found).tolist() == [wanted]
    assert value * found.factor + found.offset == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "text", "step", "wanted"),
    [
        ("air_temperature", "F", 1.8, 1.0),
        ("air_temperature", "K", 0.1, 0.1),
        ("air_pressure", "kPa", 0.01, 0.1),
        ("wind_speed", "km/h", 3.6, 1.0),
        ("precipitation", "0.254 mm", 1.0, 0.254),
    ],
)
def test_differences_have_no_offset(name: str, text: str, step: float, wanted: float) -> None:
    assert apply_scale([step], conversion(name, text)).tolist() == [wanted]


def test_missing_stays_missing_and_shape_stays() -> None:
    values = np.array([[np.nan, 1.0], [np.inf, -1.0], [1e308, -1e308]])
    found = apply(values, conversion("air_pressure", "kPa"))
    np.testing.assert_array_equal(found, [[np.nan, 10.0], [np.inf, -10.0], [np.inf, -np.inf]])
    assert values[0, 1] == 1.0
    assert apply(3, conversion("air_pressure", "kPa")).shape == ()


# ---- properties

ONE_EACH = [(name, entry["spellings"][0]) for name, entry in entries()]


@given(st.sampled_from(ONE_EACH), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_round_trip_and_linearity(unit: tuple[str, str], a: float, b: float) -> None:
    c = conversion(*unit, 600.0)
    out = apply([a, b], c)
    # back again; 1e-9 of the output's unit is where short decimals end
    np.testing.assert_allclose(out * c.divisor / c.numerator - c.shift, [a, b], rtol=1e-13, atol=1e-9)
    np.testing.assert_allclose(out, np.array([a, b]) * c.factor + c.offset, rtol=1e-13, atol=1e-9)
    np.testing.assert_allclose(out[0] - out[1], apply_scale(a - b, c), rtol=1e-9, atol=1e-7 * max(c.factor, 1e-9))


@given(st.sampled_from(ONE_EACH), st.lists(st.floats(allow_nan=True), min_size=2, max_size=9), st.integers(1, 8))
def test_cutting_changes_nothing(unit: tuple[str, str], values: list[float], at: int) -> None:
    c = conversion(*unit, 600.0)
    whole = apply(values, c)
    pieces = np.concatenate([apply(values[:at], c), apply(values[at:], c)])
    assert whole.tobytes() == pieces.tobytes()


@given(st.sampled_from(ONE_EACH), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_order_is_kept(unit: tuple[str, str], a: float, b: float) -> None:
    low, high = apply(sorted([a, b]), conversion(*unit, 600.0)).tolist()
    assert low <= high


@given(st.integers(0, 100_000), st.sampled_from(["0.1", "0.2", "0.254", "0.5", "0.01", "0.3"]))
def test_tips_have_the_digits_of_decimal_arithmetic(tips: int, size: str) -> None:
    assert apply(tips, conversion("precipitation", f"{size} mm")) == float(tips * Decimal(size))


@given(st.integers(0, 5000), st.sampled_from([300, 600, 900, 3600]))
def test_whole_kilojoules_are_rounded_once(kilojoules: int, interval_s: int) -> None:
    found = conversion("global_irradiance", "kJ/m2", float(interval_s))
    assert apply(kilojoules, found) == float(Fraction(kilojoules * 1000, interval_s))


@given(st.decimals(150, 350, places=2))
def test_kelvin_have_the_digits_of_decimal_arithmetic(kelvin: Decimal) -> None:
    assert apply(float(kelvin), conversion("air_temperature", "K")) == float(kelvin - Decimal("273.15"))


@given(st.decimals("-0.05", "1.6", places=4))
def test_kilowatts_have_the_digits_of_decimal_arithmetic(kilowatts: Decimal) -> None:
    assert apply(float(kilowatts), conversion("global_irradiance", "kW/m2")) == float(kilowatts * 1000)


@given(
    st.sampled_from([(n, s) for n, e in entries() for s in e["spellings"]]),
    st.sampled_from(["upper", "lower", "title"]),
)
def test_case_is_forgiven(unit: tuple[str, str], case: str) -> None:
    name, text = unit
    a, b = conversion(name, text, 600.0), conversion(name, getattr(text, case)(), 600.0)
    assert (a.numerator, a.divisor, a.shift) == (b.numerator, b.divisor, b.shift)


# ---- the book


def test_one_spelling_means_one_thing() -> None:
    for name, q in quantities().items():
        seen: dict[str, tuple[str, str, str]] = {}
        for entry in [*BOOK["of"].get(name, []), *BOOK["to"].get(q.unit, [])]:
            means = (entry["factor"], entry.get("shift", ""), entry.get("interval", ""))
            for text in entry["spellings"]:
                assert seen.setdefault(fold(text), means) == means, (name, text)
        refused = {fold(t) for entry in BOOK["refuse"].get(name, []) for t in entry["spellings"]}
        assert not refused & set(seen), name


def test_keys() -> None:
    assert fold("m.s-1") == fold("M s⁻¹") == "ms-1"
    assert fold("0.1") != fold("01")
    assert fold("[W/m²]") == fold("W / (m**2)") == "w/m2"
    assert fold("((m))") != fold("m") != fold("m(")


def test_a_new_quantity_takes_no_code(monkeypatch: pytest.MonkeyPatch) -> None:
    glow = replace(quantities()["global_irradiance"], name="glow", kind="level")
    monkeypatch.setattr("qc.units.quantity", {"glow": glow}.__getitem__)
    monkeypatch.setattr("qc.units.quantities", lambda: {"glow": glow})
    assert conversion("glow", "kW/m2").factor == 1000.0
    assert conversion("glow", "erg/s/cm2").factor == pytest.approx(1e-3, rel=1e-15)
    for text in ("kJ/m2", "erg/cm2"):  # of a level the interval makes nothing
        with pytest.raises(StationFileError, match="is of another dimension than glow"):
            conversion("glow", text, 600.0)


def test_groups_name_quantities_and_units_that_exist() -> None:
    assert set(BOOK) == {"defaults", "of", "to", "refuse"}
    assert set(BOOK["of"]) | set(BOOK["refuse"]) <= set(quantities())
    assert set(BOOK["to"]) == {q.unit for q in quantities().values()} - {""}


def test_refused_spellings_are_refused_with_their_mend() -> None:
    for name, group in BOOK["refuse"].items():
        for entry in group:
            for text in entry["spellings"]:
                with pytest.raises(StationFileError) as caught:
                    conversion(name, text, 600.0)
                assert caught.value.mend == entry["mend"]


def test_the_output_unit_is_a_spelling_of_its_quantity_and_the_first() -> None:
    for name, q in quantities().items():
        if name == "other":
            assert spellings(name) == []
        else:
            assert spellings(name)[0] == q.unit
            assert conversion(name, q.unit).identity


@pytest.mark.parametrize(
    ("text", "some", "never"),
    [
        ("mB", {"air_pressure", "sea_level_pressure"}, {"relative_humidity", "other"}),
        ("?C", set(TEMPERATURES), {"air_pressure"}),
        ("Kj/m²", set(IRRADIANCES), {"par"}),
        ("0.254 mm", {"precipitation"}, {"sunshine"}),
        ("%", {"relative_humidity", "soil_moisture"}, {"wind_direction"}),
        ("° (gr)", {"wind_direction"}, set(TEMPERATURES)),
        ("Volts", {"battery_voltage", "charge_voltage"}, {"air_pressure"}),
    ],
)
def test_guesses(text: str, some: set[str], never: set[str]) -> None:
    found = guess_quantities_for_unit(text)
    assert some <= set(found) and not never & set(found)


@pytest.mark.parametrize("text", ["", " ", "?", "blorp", "RPM", "tips", "m" * 41])
def test_nothing_is_guessed_from_nothing(text: str) -> None:
    assert guess_quantities_for_unit(text) == []


def test_usual_spellings_load_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from qc.quantities import quantities\n"
        "from qc.units import apply, conversion, spellings, guess_quantities_for_unit\n"
        "for name in quantities():\n"
        "    for text in spellings(name):\n"
        "        apply([1.0], conversion(name, text, 600.0)); guess_quantities_for_unit(text)\n"
        "print(sorted({'pint', 'metpy', 'pandas', 'scipy', 'pydantic', 'tomlkit'} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_importing_reads_no_file() -> None:
    code = "import sys, qc.units as u\nprint(u._book.cache_info().currsize, u.quantities.cache_info().currsize)\n"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "0 0\n"


def test_units_of_the_open_data_are_known() -> None:
    files = sorted(shared("expected").glob("*.toml"))
    assert len(files) >= 7
    for path in files:
        station = tomllib.loads(path.read_text(encoding="utf-8"))
        for channel in station["channel"]:
            assert conversion(channel["quantity"], channel["unit"], 3600.0, where=path.name).factor > 0
