"""What each column measures: quantity by name, unit and values, which must not contradict; `other` rather than a wrong
one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.draft import values as v
from qc.draft import words
from qc.draft.table import Column, Layout
from qc.errors import StationFileError, printable
from qc.quantities import quantities

Floats = NDArray[np.float64]

SHORTWAVE = ("global_irradiance", "diffuse_irradiance", "direct_irradiance", "reflected_irradiance", "par")
_FLUXES = (*SHORTWAVE, "longwave_down", "longwave_up", "net_radiation")
_TEMPERATURES = ("air_temperature", "dew_point", "soil_temperature", "surface_temperature", "logger_temperature")
_WINDS = ("wind_speed", "wind_gust")
_PRESSURES = ("air_pressure", "sea_level_pressure")
_EXTREMES_TOO = ("wind_gust", "battery_voltage", "charge_voltage")
COLD = 45.0
"""K below the year's mean that cold weeks come to (judgement: continental winters); nothing gets so much warmer."""

NIGHT_S = 86_400.0
"""s of values from which a table holds a day and a night, polar seasons aside."""

SEA_LEVEL_TOLD_FROM_M = 160.0
"""Height from which station pressure and sea-level pressure, 20 hPa apart, are told apart by their size (signatures
1.12).
"""


@dataclass(frozen=True)
class Site:
    """Where the station stands, as the person says."""

    latitude: float
    longitude: float
    elevation: float

    @property
    def standard_pressure(self) -> float:
        """hPa at the site in the standard atmosphere (ICAO, from memory)."""
        return float(1013.25 * (1 - 2.25577e-5 * max(-500.0, min(self.elevation, 9000.0))) ** 5.25588)

    @property
    def mild(self) -> float:
        """degC, roughly the year's mean air temperature there (judgement: within 10 K of most places)."""
        return 27.0 - 0.0055 * self.elevation - 0.011 * max(0.0, abs(self.latitude) - 12) ** 2


@dataclass
class Guess:
    """What is believed of one column; `doubts` become comments that begin with "not sure", `notes` the other
    comments.
    """

    column: Column
    layout: Layout
    quantity: str
    unit: str
    statistic: str
    doubts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    marker_doubts: dict[float, str] = field(default_factory=dict)
    also: list[tuple[Layout, Column]] = field(default_factory=list)
    resolution: v.Resolution = None
    name: str = ""
    device: str = ""
    unit_given: bool = False
    sure_statistic: bool = False
    mean_guessed: bool = False
    short: bool = False

    def output(self, interval_s: float | None) -> Floats:
        """Its numbers in the unit of the outputs, suspects of being markers left out."""
        return units.apply(self.clean, units.conversion(self.quantity, self.unit, interval_s))

    @property
    def clean(self) -> Floats:
        """Its numbers as in the table, suspects of being markers left out."""
        return self.column.cells.clean


def bounds(quantity: str) -> tuple[float, float]:
    """What the quantity can be, in the unit of the outputs."""
    low, high = words.book()["bounds"][quantity]
    return float(low), float(high)


# ---- one column


def identify(column: Column, layout: Layout, site: Site, interval_s: float | None, imperial: bool) -> Guess:
    """The likeliest quantity, unit and statistic of one column."""
    unit, rest = _unit(column)
    title = f"{column.title[: len(column.title) - len(column.name)]} {rest}".strip() if column.name else column.title
    if not column.name and column.title:
        unit_title, title = words.unit_in(column.title)
        unit = unit or unit_title
    if (
        unit == "degF"
        and not imperial
        and re.search(r"[_. ][fF](?![A-Za-z])", column.name)
        and len(good_ := column.cells.clean[np.isfinite(column.cells.clean)])
    ):
        middle = float(np.median(good_))
        if abs(middle - site.mild) + 10 < abs((middle - 32) / 1.8 - site.mild):
            unit = ""  # `TA_F` is no Fahrenheit where that would be far from the climate
    statistic = words.statistic_of(column.statistic_cell) if column.statistic_cell else None
    sure = statistic is not None
    in_name = words.statistic_in(title)
    statistic = "sd" if in_name == "sd" else statistic or in_name
    guess = Guess(column, layout, "other", unit or "1", statistic or "", sure_statistic=sure)
    clean = column.cells.clean
    good = clean[np.isfinite(clean)]
    if statistic == "sd":
        guess.notes.append("a standard deviation")
        return guess
    refused: list[str] = []
    for rule in words.meanings(title):
        if rule.quantity == "other":
            if not refused:
                guess.notes.append(rule.why)
                return guess
            continue
        if rule.quantity == "air_temperature" and refused:
            break  # `Rain gauge temperature`: the first word says that it is not the air's
        doubts: list[str] = []
        fitted = _fit(rule, unit, good, site, interval_s, imperial, statistic, doubts)
        if isinstance(fitted, _Refused):
            refused.append(f"the name says {rule.quantity}, but {fitted}")
            if fitted.by_values and not rule.short:
                break  # numbers that belie the likeliest meaning bear out no other
            continue
        guess.quantity, guess.unit = rule.quantity, fitted
        guess.unit_given = bool(unit) and fitted == unit
        guess.doubts += doubts
        guess.short = rule.short
        if rule.short and not unit:
            guess.doubts.append(f"its name '{printable(column.label, 40)}' alone says little")
            rivals = [
                r.quantity for r in words.meanings(title) if r.short and r.quantity not in ("other", rule.quantity)
            ]
            others = [r for r in words.meanings(title) if r.quantity in rivals]
            also = [
                r.quantity
                for r in others
                if not isinstance(_fit(r, unit, good, site, interval_s, imperial, statistic, []), _Refused)
            ]
            if also:
                guess.doubts = [f"its name and values fit {rule.quantity} and {also[0]} alike"]
                guess.quantity, guess.unit = "other", "1"
                return guess
        break
    if guess.quantity == "other":
        if refused:
            guess.doubts.append(refused[0])
        return guess
    return _statistic(guess, interval_s)


def _unit(column: Column) -> tuple[str, str]:
    """The unit that the header gives (empty where none), and the name without it."""
    named, rest = words.unit_in(column.name)
    cell = column.unit_cell.strip()
    if re.fullmatch(r"\(.*\)|\[.*\]|\{.*\}", cell):
        cell = cell[1:-1].strip()
    if cell and cell.casefold() not in ("-", "ts", "rn", "none", "n/a", "unit", "units", "unitless"):
        return cell[:80], rest
    return named, rest


def _fit(
    rule: words.Rule, unit: str, good: Floats, site: Site, interval_s: float | None, imperial: bool,
    statistic: str | None, doubts: list[str]
) -> str | _Refused:  # fmt: skip
    """The unit with which name and values agree, or why they do not."""
    quantity = rule.quantity
    if unit:
        try:
            units.conversion(quantity, unit, interval_s)
        except StationFileError:
            if (elsewhere := units.guess_quantities_for_unit(unit)) or words._looks_like_unit(unit):
                what = f"that of {elsewhere[0]}" if elsewhere else "of another kind"
                return _Refused(f"its unit '{printable(unit, 20)}' is {what}")
            doubts.append(f"'{printable(unit, 20)}' is no known unit")
            unit = ""
    if not len(good):
        if not unit:
            return _Refused("it holds no number that would show its unit")
        doubts.append("no number in it that would bear out its name")
        return unit
    candidates = [unit] if unit else _units_for(quantity, good, site, interval_s, imperial, statistic)
    wrongs: dict[str, str] = {}
    for candidate in candidates:
        wrong = _misfit(quantity, candidate, good, site, interval_s, strict=rule.short or not unit)
        if not wrong:
            if not unit:
                low, high = np.quantile(good, [0.01, 0.99])
                others = ", not known from km/h, mph or kn" if quantity in _WINDS else ""
                doubts.append(f"no known unit given; values of {low:.4g} to {high:.4g} fit {candidate}{others}")
            return candidate
        wrongs[candidate] = wrong
    rare = next((u for u, wrong in wrongs.items() if isinstance(wrong, _Rare)), None)
    if rare and not rule.short:  # a plain name outweighs a cold week, a day of one wind, an hour of sun
        doubts.append(f"no known unit given; read as {rare}, though {wrongs[rare]}")
        return rare
    if (
        unit
        and quantity == "relative_humidity"
        and "%" in unit
        and float(np.median(good)) > 0.05
        and float(good.max()) <= 1.05
    ):
        doubts.append(f"the unit says {unit}, but values run up to {good.max():.4g}: fractions of 1")
        return "1"
    return _Belied(next(iter(wrongs.values()), "values do not fit"))  # of the likeliest unit


class _Rare(str):
    """Why values are not usual of a quantity, though they can be."""


class _Refused(str):
    """Why a rule does not hold; `by_values`: its unit would be right."""

    by_values = False


class _Belied(_Refused):
    by_values = True


def _misfit(quantity: str, unit: str, good: Floats, site: Site, interval_s: float | None, *, strict: bool) -> str:
    """Why values in a unit cannot be of a quantity; empty where they can."""
    try:
        out = units.apply(good, units.conversion(quantity, unit, interval_s))
    except StationFileError as error:
        return error.what
    low, high = bounds(quantity)
    outside = float(np.mean((out < low) | (out > high)))
    if outside > (0.02 if strict else 0.5):
        return f"{100 * outside:.0f} % of the values lie outside {low:g} to {high:g} {quantities()[quantity].unit}"
    middle = float(np.median(out))
    top = float(np.quantile(out, 0.999))
    if quantity == "air_pressure" and outside < 0.5:
        expected = site.standard_pressure
        if not 0.88 * expected < middle < 1.12 * expected and not (940 < middle < 1060):
            return (
                f"the median of {middle:.1f} hPa is neither that of {site.elevation:g} m ({expected:.0f} hPa) nor "
                f"that of the sea"
            )
    if quantity == "sea_level_pressure" and not 940 < middle < 1060:
        return f"the median of {middle:.1f} hPa is not that at sea level"
    if quantity == "relative_humidity" and strict and (top > 110 or (top <= 1.5 and unit == "%")):
        return f"values up to {top:.4g} are no {unit}"
    if quantity == "wind_direction" and strict and (top < 120 or top > 361):
        told = f"values up to {top:.4g} are no directions"
        return _Rare(f"values of {out.min():.4g} to {top:.4g} are few directions") if 36 < top < 120 else told
    if quantity in ("air_temperature", "dew_point") and strict and abs(middle - site.mild) > 28:
        told = f"a median of {middle:.1f} degC is far from the climate there"
        return _Rare(told) if -COLD < middle - site.mild < 0 else told
    if quantity in _WINDS and strict and (middle > (15 if quantity == "wind_speed" else 25) or top > 75):
        return f"a median of {middle:.1f} and values up to {top:.1f} m/s are no wind"
    if quantity == "precipitation" and strict:
        if float(np.mean(out < 0)) > 0:
            return "it has values below 0"
        if float(np.mean(out > 0)) > 0.5 and not rising(out):
            return "more than half of its values are above 0"
    if quantity in SHORTWAVE and strict and (top < 20 or float(np.quantile(out, 0.05)) > 60):
        told = f"values of {np.quantile(out, 0.05):.4g} to {top:.4g} have no day and night"
        return _Rare(told) if top >= 20 and len(out) * (interval_s or 0.0) < NIGHT_S else told
    if quantity in ("longwave_down", "longwave_up") and strict and not 100 < middle < 700:
        return f"a median of {middle:.1f} W/m2 is no longwave radiation from the whole sky"
    return ""


def rising(out: Floats) -> bool:
    """Whether values only rise, but for resets: a running total."""
    step = np.diff(out)
    up, down = int((step > 0).sum()), int((step < 0).sum())
    return (
        len(step) > 20
        and up > 0
        and down <= max(1, 0.02 * len(step))
        and down <= 0.5 * up + 1
        and float(np.mean(out > 0)) > 0.3
    )


def _units_for(
    quantity: str, good: Floats, site: Site, interval_s: float | None, imperial: bool, statistic: str | None
) -> list[str]:
    """Units to try where none is given, likeliest first."""
    middle, top = float(np.median(good)), float(np.quantile(good, 0.999))
    if quantity in _TEMPERATURES:
        if middle > 170:
            return ["K"]
        warm = float(np.quantile(good, 0.99))
        mild = site.mild
        as_f = (middle - 32) / 1.8
        hot = warm > 58 and quantity in ("air_temperature", "dew_point")
        fahrenheit = hot or (imperial and abs(as_f - mild) < abs(middle - mild) + 10)
        return ["degF", "degC"] if fahrenheit else ["degC", "degF"]
    if quantity in _PRESSURES:
        factors = {"hPa": 1.0, "kPa": 10.0, "Pa": 0.01, "inHg": 33.8639, "mmHg": 1.33322}
        aims = [1013.25] if quantity == "sea_level_pressure" else [site.standard_pressure, 1013.25]
        near = {u: min(abs(np.log(max(middle, 1e-9) * f / aim)) for aim in aims) for u, f in factors.items()}
        return sorted((u for u in near if near[u] < 0.12), key=lambda u: near[u]) or ["hPa"]
    if quantity in _WINDS:
        return ["mph"] if imperial else ["m/s", "km/h"] if middle < 9 else ["km/h", "m/s"]
    if quantity == "par":
        if statistic == "total" and interval_s:
            sizes = {"mmol/m2": interval_s / 1000.0, "mol/m2": interval_s / 1e6, "umol/m2": interval_s}
            return sorted(sizes, key=lambda u: abs(np.log(max(top, 1e-9) / (1900.0 * sizes[u]))))
        return ["umol/m2/s"]
    if quantity in _FLUXES:
        if quantity in ("longwave_down", "longwave_up", "net_radiation"):
            return ["W/m2"]
        sizes = {"W/m2": 1.0, "kW/m2": 0.001}
        if statistic == "total" and interval_s:
            sizes = {
                "kJ/m2": interval_s / 1e3,
                "MJ/m2": interval_s / 1e6,
                "Wh/m2": interval_s / 3600,
                "J/cm2": interval_s / 1e4,
                **sizes,
            }
        return sorted(sizes, key=lambda u: abs(np.log(max(top, 1e-9) / (1000.0 * sizes[u]))))
    if quantity == "wind_direction":
        return ["10 degree"] if 20 < top <= 36 else ["degree"]
    if quantity == "relative_humidity":
        return ["1", "%"] if top <= 1.05 and middle > 0.05 else ["%"]
    if quantity == "soil_moisture":
        return ["m3/m3"] if top <= 1.0 else ["%"]
    if quantity == "precipitation":
        return ["in", "mm"] if imperial else ["mm"]
    if quantity == "snow_depth":
        return ["m"] if top < 3 else ["cm"] if top < 600 else ["mm"]
    if quantity == "sunshine":
        seconds = interval_s or 3600.0
        sizes = {"s": seconds, "min": seconds / 60, "h": seconds / 3600}
        return sorted(sizes, key=lambda u: abs(np.log(max(top, 1e-9) / sizes[u])))
    if quantity in ("battery_voltage", "charge_voltage"):
        return ["mV"] if middle > 500 else ["V"]
    return [quantities()[quantity].unit]


def _statistic(guess: Guess, interval_s: float | None) -> Guess:
    """The statistic, and what follows from it."""
    q = quantities()[guess.quantity]
    conversion = units.conversion(guess.quantity, guess.unit, interval_s)
    told = guess.statistic
    if guess.quantity == "wind_speed" and told == "max":
        guess.quantity = "wind_gust"
        q = quantities()["wind_gust"]
    if told in ("max", "min") and guess.quantity not in _EXTREMES_TOO:
        guess.notes.append(f"the {told}imum of {guess.quantity} in the interval: checks are for means and samples")
        guess.quantity = "other"
        return guess
    if guess.quantity == "wind_gust" and told == "min":
        guess.notes.append("the lowest wind in the interval")
        guess.quantity = "other"
        return guess
    if guess.quantity == "precipitation":
        out = guess.clean[np.isfinite(guess.clean)]
        span = _span(guess.column.title)
        if span and interval_s is not None and span > interval_s and not rising(out):
            guess.doubts.append(
                f"a sum over {span / 3600:g} h in a table of {interval_s / 60:g} min: no amount of the interval"
            )
            guess.quantity, guess.statistic = "other", ""
            return guess
        if rising(out):
            guess.statistic = "counter"
            guess.doubts.append("values only rise, but for resets: taken for a running total")
        else:
            guess.statistic = "total" if not conversion.rate else "mean"
            if not conversion.rate and told not in ("total", "", None):
                guess.doubts.append(f"the header says {told}; rain is taken for the total in the interval")
        return guess
    if guess.quantity == "sunshine":
        guess.statistic = "total"
        return guess
    if guess.quantity == "wind_gust":
        guess.statistic = "max"
        return guess
    if conversion.amount:
        guess.statistic = "total"
        return guess
    if told == "total":
        told = ""
        guess.doubts.append(f"the header says total, but {guess.unit} is no amount: taken for a mean")
        guess.statistic = "mean"
        return guess
    if (
        told == "vector-mean"
        and guess.quantity == "wind_speed"
        and not re.search(r" (u|vec\w*|resultant)(?![a-z])", words.plain(guess.column.title))
    ):
        told = "mean"  # the scalar mean stands first among the outputs of one vector instruction
    if told in q.statistics:
        guess.statistic = told
        return guess
    guess.statistic = "mean"
    guess.mean_guessed = True
    return guess


def _span(title: str) -> float:
    """Seconds that a sum in a header runs over: `Hourly rain`, `rain 24h`; 0 where it says nothing."""
    text = words.plain(title)
    found = re.search(r" ([0-9]+) ?(h|hr|hrs|hour|hours|std|stunden|uur|heures|horas)(?![a-z])", text)
    if found:
        return 3600.0 * int(found[1])
    found = re.search(r" ([0-9]+) ?(min|mins|minutes|minuten|minutos)(?![a-z])", text)
    if found:
        return 60.0 * int(found[1])
    for pattern, span in (
        (r" hour(ly)?(?![a-z])", 3600.0),
        (r"dail|daily| day(?![a-z])| today", 86400.0),
        (r"weekly", 604800.0),
        (r"monthly", 2.6e6),
        (r"year(ly)?(?![a-z])", 3.2e7),
    ):
        if re.search(pattern, text):
            return span
    return 0.0


# ---- all columns of a table together


def compare(guesses: Sequence[Guess], site: Site, interval_s: float | None) -> None:
    """What the columns of one layout say of each other: extremes, gusts, twice the same sensor, pressure at which
    level.
    """
    _pressure_level(guesses, site, interval_s)
    _samples(guesses)
    lettered = [g for g in guesses if g.short and g.quantity == "air_temperature"]
    if len(lettered) > 2:
        for g in lettered:
            g.quantity = "other"
            g.doubts = [f"{len(lettered)} columns are named by a letter and a number: of what, nothing says"]
    for gust in [g for g in guesses if g.quantity == "wind_gust"]:
        speeds = [g for g in guesses if g.quantity == "wind_speed" and g.layout is gust.layout]
        if speeds:
            a, b = gust.output(interval_s), speeds[0].output(interval_s)
            both = np.isfinite(a) & np.isfinite(b)
            share = float(np.mean(a[both] < b[both] - 0.051)) if both.sum() > 20 else 0.0
            if share > 0.5:
                gust.quantity, gust.unit = "other", gust.unit
                gust.doubts.append(f"named like a gust, but below the wind speed in {100 * share:.0f} % of the rows")
    for dew in [g for g in guesses if g.quantity == "dew_point"]:
        airs = [g for g in guesses if g.quantity == "air_temperature" and g.layout is dew.layout]
        if airs:
            a, b = dew.output(interval_s), airs[0].output(interval_s)
            both = np.isfinite(a) & np.isfinite(b)
            if both.sum() > 20 and float(np.mean(a[both] > b[both] + 1.0)) > 0.5:
                dew.quantity = "other"
                dew.doubts.append("named like a dew point, but above the air temperature in more than half of the rows")
    _twice(guesses, interval_s)


def _pressure_level(guesses: Sequence[Guess], site: Site, interval_s: float | None) -> None:
    for g in guesses:
        if g.quantity not in _PRESSURES:
            continue
        out = g.output(interval_s)
        if not np.isfinite(out).any():
            continue
        middle = float(np.nanmedian(out))
        far = site.elevation >= SEA_LEVEL_TOLD_FROM_M
        at_sea = abs(middle - 1013.25) < abs(middle - site.standard_pressure)
        if g.quantity == "air_pressure" and far and at_sea:
            g.quantity = "sea_level_pressure"
            g.doubts.append(
                f"the median of {middle:.1f} hPa is that of sea level, not that of {site.elevation:g} m "
                f"({site.standard_pressure:.0f} hPa)"
            )
        elif g.quantity == "sea_level_pressure" and far and not at_sea:
            g.quantity = "other"
            g.doubts.append(
                f"named like pressure at sea level, but the median of {middle:.1f} hPa is that of {site.elevation:g} "
                f"m ({site.standard_pressure:.0f} hPa)"
            )
        elif (
            g.quantity == "air_pressure"
            and not far
            and abs(site.elevation) > 5
            and not any(w in words.plain(g.column.title) for w in ("stat", "estac", "absol", "qfe"))
        ):
            rivals = [o for o in guesses if o.quantity == "sea_level_pressure" and o is not g]
            if not rivals:
                g.notes.append(
                    f"at {site.elevation:g} m the values cannot tell station level from sea level: check that it is "
                    f"not reduced"
                )
        elif g.quantity == "air_pressure" and site.elevation < -5:
            g.notes.append("check that it is not reduced to sea level")


def _samples(guesses: Sequence[Guess]) -> None:
    """A value that often equals the highest or lowest of its interval is the sample at its end (or start), not the
    mean.
    """
    for g in guesses:
        if g.quantity == "other" or g.statistic != "mean" or g.sure_statistic:
            continue
        around = [
            o
            for o in guesses
            if o.quantity == "other" and o.layout is g.layout and o.statistic in ("max", "min") and _same_thing(o, g)
        ]
        highs = [o for o in around if o.statistic == "max"]
        lows = [o for o in around if o.statistic == "min"]
        best = 0.0
        for high in highs:
            for low in lows:
                a, x, b = (o.clean for o in (low, g, high))
                both = np.isfinite(a) & np.isfinite(x) & np.isfinite(b) & (b > a)
                if both.sum() < 50 or float(np.mean((x[both] >= a[both] - 1e-9) & (x[both] <= b[both] + 1e-9))) < 0.9:
                    continue
                best = max(best, float(np.mean((x[both] == a[both]) | (x[both] == b[both]))))
        if best > 0.25:
            g.statistic = "sample"
            g.mean_guessed = False
            g.notes.append(f"a sample: it is the highest or lowest of its interval in {100 * best:.0f} % of the rows")
            g.sure_statistic = True


def _same_thing(extreme: Guess, g: Guess) -> bool:
    """Whether an extreme is one of the same quantity, by its name."""
    _, rest = words.unit_in(extreme.column.name)
    return any(r.quantity == g.quantity for r in words.meanings(rest)[:3]) or extreme.unit == g.unit


def _twice(guesses: Sequence[Guess], interval_s: float | None) -> None:
    """A total beside the mean of the same sensor says nothing of its own."""
    for g in guesses:
        if g.quantity not in _FLUXES or g.statistic != "total":
            continue
        for o in guesses:
            if o is g or o.layout is not g.layout or o.quantity != g.quantity or o.statistic == "total":
                continue
            a, b = g.output(interval_s), o.output(interval_s)
            both = np.isfinite(a) & np.isfinite(b) & (np.abs(b) > 20)
            if both.sum() > 20 and float(np.median(np.abs(a[both] / b[both] - 1.0))) < 0.02:
                g.quantity = "other"
                g.notes.append(f"the total of the same sensor as {printable(o.column.label, 40)}")
                break


def imperial(found: Sequence[Column]) -> bool:
    """Whether the header gives units of inches and Fahrenheit, in brackets or in a units row."""
    seen = {words.unit_in(c.name)[0].casefold() for c in found if re.search(r"[(\[{]", c.name)} | {
        c.unit_cell.strip("()[] ").casefold() for c in found
    }
    seen |= {words.unit_in(c.name)[0].casefold() for c in found if c.name.casefold() in words.book()["unit_of_name"]}
    return bool(seen & {"degf", "°f", "f", "deg f", "?f", "mph", "inhg", "in", "inches", "in hg", "inch"})


def rename(guesses: Sequence[Guess]) -> None:
    """Names of channels: unique without regard to case, in the form that the station file asks for."""
    used = {"time", "all"}
    for g in guesses:
        base = words.book()["names"].get(g.quantity) or _sanitised(g.column.name or g.column.title, g.column.at)
        name, number = base, 2
        while name.casefold() in used or name.casefold().endswith(
            ("_verdict", "_checks", "_read", "_corrected", "_usable")
        ):
            name = f"{base[:36]}_{number}"
            number += 1
        used.add(name.casefold())
        g.name = name


def _sanitised(name: str, at: int) -> str:
    import unicodedata

    text = unicodedata.normalize("NFKD", words.unit_in(name)[1])
    text = re.sub(r"[^A-Za-z0-9]+", "_", "".join(c for c in text if not unicodedata.combining(c))).strip("_").casefold()
    text = text[:36].rstrip("_")
    return text if re.match(r"[a-z]", text) else f"column_{at + 1}"


def devices(guesses: Sequence[Guess]) -> None:
    """Pairs of air temperature and humidity that share a number in their names hang in one probe: a guess."""

    def key(g: Guess) -> str:
        numbers = re.findall(r"[0-9]+", words.unit_in(g.column.name)[1])
        return numbers[0] if numbers else ""

    warm = {key(g): g for g in guesses if g.quantity == "air_temperature"}
    wet = {key(g): g for g in guesses if g.quantity == "relative_humidity"}
    pairs = [k for k in warm if k in wet]
    several = [g for g in guesses if g.quantity == "air_temperature"]
    if len(pairs) < 2 or len(several) != len(warm):
        return
    for number, k in enumerate(pairs, 1):
        for g in (warm[k], wet[k]):
            g.device = f"probe-{number}"
            g.doubts.append("device by the numbers in the names")
