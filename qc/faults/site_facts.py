"""Facts of the site that are wrong in the station file.

Shows: noon or the length of the day does not fit the coordinates, or the pressure does not fit the height, from the
    first row on.
Happened: a sign was lost (west, south), latitude and longitude were exchanged, a height in feet was taken for metres,
    or the offset of the clock from UTC was written down wrong.
How sure: exchanged or unsigned coordinates that make noon and day length fit are hard to mistake; a longitude that is
    merely another one, or a zone, shows the same as a clock that is wrong. A height is known from pressure alone to
    about 60 m.
Check: read the coordinates from a satellite receiver at the mast, with their signs; compare them with a map; read the
    height of the barometer from the map and look whether it was in feet; compare the logger's display with UTC.
Carry: satellite receiver or telephone with its position, map.
Caution: all of this can be looked up from afar; no climb is needed for it.
Data: correct latitude, longitude, elevation or `[[clock]]` in the station file; all that rests on the sun or on the
    height is computed again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from qc import firstlight
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.firstlight import FirstLight
from qc.mends import Mend, moved
from qc.physics import heights, onset, sun, twilight
from qc.physics.pressure import standard_pressure
from qc.record import Times
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "site-facts"
FEET = 3.28084
"""Feet in a metre."""


def test(case: Case) -> Sequence[Outcome]:
    """Coordinates by the sun, height by the pressure."""
    return [*_sun(case), *_height(case)]


# ---- coordinates


@dataclass(frozen=True)
class Place:
    """Coordinates that might be meant, how far noon (min) and first light (degrees) are off there, and the misfit."""

    name: str
    latitude: float
    longitude: float
    minutes: float
    height: float
    misfit: float
    odd: float = 0.0  # how unlikely the slip is beside others, in standard errors


def _sun(case: Case) -> Sequence[Outcome]:
    found = firstlight.of(case)
    need = case.limit(ID, "days")
    if found is None or found.days < need:
        if not case.of(*firstlight.LIGHT):
            return ()
        have = 0 if found is None else found.days
        return (Untested((), f"coordinates: {have} days show first and last light, needs {need:.0f}", None),)
    if not found.most_days(case):
        told = f"coordinates: only {found.days} days of {found.channel.name} behave like light"
        return (Untested((), told, "the channel of light is sound on most days"),)
    whole = found.whole
    sigma = found.sigma(whole)
    high = found.odd_height
    late = abs(whole.mean) > max(case.limit(ID, "minutes"), 4.0 * sigma)
    tall = high > case.limit(ID, "height")
    moving = len(found.pieces) > 1 or (found.drift is not None and abs(found.drift.per_day) > 0.1)
    if moving and not tall:
        return (Cleared((), "noon does not lie alike on all days: no wrong coordinates do that"),)
    if not late and not tall:
        told = f"noon within {whole.mean:+.1f} +- {sigma:.1f} min, first light within {high:.1f} degrees of the "
        return (Cleared((), told + f"coordinates' on {whole.days} days"),)
    if late:
        along = firstlight.witness(case, found, whole.mean, firstlight.Piece(0, len(found.row), whole))
        if along is not None and along.log_odds <= firstlight.AGAINST:
            told = f"{found.channel.name} shows noon {whole.mean:+.0f} min off, the other channels do not"
            return (Cleared((), f"{told}; {along.said}"),)
        if abs(whole.mean) > firstlight.ALONE and (along is None or along.log_odds < 1.0):
            told = f"{found.channel.name} alone shows noon {whole.mean:+.0f} min off"
            return (Untested((), f"{told}: another channel must bear it out", "another channel shows its course"),)
    declared = _misfit(case, found, whole.mean, high)
    best = min(_meant(case, found), key=lambda p: p.misfit + p.odd)
    if best.misfit > case.limit(ID, "fits"):
        best = _anywhere(case, found, whole.mean, tall)
    return (_named(case, found, best, declared, late, tall),)


def _coarse(case: Case, found: FirstLight) -> float:
    """Standard error of minutes at another place, where long intervals are not put right. [min]"""
    rough = case.interval_s / 360.0 if case.interval_s >= twilight.COARSE_S else 0.0
    return float(np.hypot(found.sigma(found.whole), rough))


def _misfit(case: Case, found: FirstLight, minutes: float, height: float) -> float:
    return float(np.hypot(minutes / _coarse(case, found), height / case.limit(ID, "height_sd")))


def _few(found: FirstLight, most: int = 40) -> twilight.Crossings:
    pick = np.unique(np.linspace(0, len(found.row) - 1, min(most, len(found.row))).round().astype(int))
    c = found.crossings
    return twilight.Crossings(c.day[pick], c.rise[pick], c.fall[pick], c.row[pick], c.night, c.noise)


def _at(case: Case, few: twilight.Crossings, latitude: float, longitude: float) -> tuple[float, float]:
    """How far noon is off (min), and the sun at first light (degrees), had the station stood there."""

    def elevation(time: Times) -> Floats:
        return 90.0 - sun.position(time, latitude, longitude, case.sky.elevation).zenith

    each = twilight.daily(twilight.errors(few, elevation, longitude))
    seen = np.isfinite(each)
    if not seen.any():
        return 720.0, 90.0
    turn = float(np.angle(np.mean(np.exp(2j * np.pi * each[seen] / 1440.0)))) * 720.0 / np.pi
    minutes = twilight.level((each - turn + 720.0) % 1440.0 - 720.0).mean + turn
    heights = twilight.heights(few, elevation, np.where(seen, each, 0.0)) - firstlight.EXPECTED
    return minutes, firstlight.middle(np.abs(twilight.daily(heights)))


def _meant(case: Case, found: FirstLight) -> list[Place]:
    """Slips of the pen: signs lost, coordinates exchanged."""
    lat, lon = case.sky.latitude, case.sky.longitude
    ways = [
        ("the longitude's sign is wrong", lat, -lon, 0.0),
        ("the latitude's sign is wrong", -lat, lon, 0.0),
        ("both signs are wrong", -lat, -lon, 1.0),
    ]
    if abs(lon) <= 90.0:
        ways += [
            ("latitude and longitude are exchanged", a * lon, b * lat, 1.0 - 0.5 * (a + b))
            for a in (1.0, -1.0)
            for b in (1.0, -1.0)
        ]
    few = _few(found)
    out = []
    for name, latitude, longitude, odd in ways:
        if abs(latitude - lat) < 1.0 and abs(longitude - lon) < 1.0:
            continue
        minutes, height = _at(case, few, latitude, longitude)
        out.append(Place(name, latitude, longitude, minutes, height, _misfit(case, found, minutes, height), odd))
    return out or [Place("", lat, lon, 720.0, 90.0, 99.0)]


def _anywhere(case: Case, found: FirstLight, minutes: float, tall: bool) -> Place:
    """Where noon and day length would fit, whatever slip of the pen led away from there."""
    lat, lon = case.sky.latitude, case.sky.longitude
    longitude = (lon - minutes / 4.0 + 180.0) % 360.0 - 180.0
    if not tall:
        return Place("", lat, longitude, 0.0, 0.0, 0.0)
    few = _few(found, 15)
    tried = []
    for latitude in np.arange(-80.0, 81.0, 4.0):
        off, height = _at(case, few, float(latitude), longitude)
        tried.append(Place("", float(latitude), longitude, off, height, _misfit(case, found, off, height)))
    return min(tried, key=lambda p: (p.misfit, abs(p.latitude - lat)))


def _named(case: Case, found: FirstLight, place: Place, declared: float, late: bool, tall: bool) -> Suspect:
    whole = found.whole
    sigma = found.sigma(whole)
    minutes = whole.mean
    share = float(np.mean(found.each * np.sign(minutes) > 0.3 * abs(minutes))) if late else 1.0
    clues = [
        Clue("noon and day length", 1.5 * (declared - 3.0), f"off by {declared:.1f} standard errors as declared"),
        Clue("day by day", min(3.0, 0.8 * whole.days) if share > 0.8 else 4.0 * (share - 0.8),
             f"{100 * share:.0f} % of {whole.days} days say so"),
    ]  # fmt: skip
    if late:
        clues.append(Clue("size", 2.0 * float(np.log(abs(minutes) / 5.0)), "beyond what horizons do"))
    if tall:
        high = found.odd_height
        told = f"the sun stands {high:.1f} degrees off at first light"
        clues.append(Clue("length of the day", min(4.0, high - case.limit(ID, "height") + 1.0), told))
    zone = 30.0 * round(minutes / 30.0)
    is_zone = not place.name and not tall and abs(minutes - zone) <= max(3.0, 1.5 * sigma) and zone
    evidence: dict[str, Any]
    mend: Mend | None
    if is_zone:
        chance = np.log(60.0 / (sigma * np.sqrt(2 * np.pi))) - 0.5 * ((minutes - zone) / sigma) ** 2
        clues.append(Clue("whole half hours", float(chance), f"{minutes:+.1f} min is {zone:+.0f} min: a zone"))
        clues.append(Clue("a clock is likelier", -1.0, "clocks are set wrong more often than station files written"))
        evidence, told = {"what": "zone", "found": _offset(case, zone)}, f"the clock's offset is {_offset(case, zone)}"
        mend = Mend("clock", (), None, None, zone, uncertainty=round(sigma, 1))
    else:
        evidence = {"what": "coordinates", "found": [round(place.latitude, 6), round(place.longitude, 6)]}
        told = f"{place.latitude:.2f} N, {place.longitude:.2f} E would fit"
        if place.name:
            room = case.limit(ID, "room") if abs(minutes) < 180.0 else 1440.0
            chance = np.log(room / (_coarse(case, found) * np.sqrt(2 * np.pi)))
            clues.append(Clue("slip of the pen", float(chance) - 0.5 * place.misfit**2, place.name))
            told = f"{place.name}: {told}"
        else:
            clues.append(Clue("slip of the pen", -3.5, "no lost sign or exchange explains it"))
        site = {"latitude": place.latitude, "longitude": place.longitude}
        mend = Mend("site", site=site, uncertainty=round(sigma / 4.0, 2), proposed=bool(place.name))
        if place.misfit > 5.0:
            mend = None
    return Suspect(
        (),
        tuple(clues),
        evidence,
        f"Noon is off by {minutes:+.1f} +- {sigma:.1f} min and first light by "
        f"{found.odd_height:.1f} degrees of sun on {whole.days} days: {told}.",
        case.first,
        case.last,
        (case.first, case.first),
        mend=mend,
        exhibit={"found": found, "place": place},
    )


def _offset(case: Case, minutes: float) -> str:
    """What the clock's offset should be, written as in a station file; a change where it follows a zone."""
    from qc.read.clock import parse_offset

    declared = case.station.clock[-1].utc_offset
    total = minutes + (parse_offset(declared) / 60.0 if declared else 0.0)
    sign = "-" if total < 0 else "+"
    text = f"{sign}{int(abs(total)) // 60:02d}:{int(abs(total)) % 60:02d}"
    return text if declared else f"{text} beside {case.station.clock[-1].time_zone}"


# ---- height


def _height(case: Case) -> Sequence[Outcome]:
    channel = case.mate("air_pressure")
    if channel is None:
        return ()
    values = case.values(channel)
    days, medians = _daily(case, values)
    if len(days) < 1:
        return (Untested((channel.name,), "height: less than a day of pressure", None),)
    p, z = float(np.median(medians)), case.sky.elevation
    usual = float(standard_pressure(z))
    spread = heights.pressure_spread(case.sky.latitude, len(days))
    off = (p - usual) / spread
    told = f"{p:.1f} hPa in the median of {len(days)} days, {usual:.1f} +- {spread:.0f} is usual at {z:.0f} m"
    if not 0.8 < p / usual < 1.25:  # mmHg are 0.75 of hPa
        return (Untested((channel.name,), f"height: {told}: a matter of units", "the unit is right"),)
    if abs(off) < case.limit(ID, "pressure_errors"):
        return (Cleared((), told),)
    change = onset.step(medians, least=2)
    if change is not None and change.gain > 6.0 and abs(change.after - change.before) > 0.6 * abs(p - usual):
        return (Cleared((), "the pressure stepped within the record: no wrong height does that"),)
    height, name = heights.height_of(p), ""
    for told_as, other in (("it is feet", z / FEET), ("it is metres taken for feet", z * FEET)):
        if abs(p - float(standard_pressure(other))) < 1.5 * spread and abs(other - z) > 8.3 * spread:
            height, name = other, told_as
    clues = [
        Clue("pressure", 1.5 * (abs(off) - 3.0), told),
        Clue("always", min(3.0, 0.2 * len(days)), f"on {len(days)} days"),
        Clue("slip of the pen", 2.5, name) if name else Clue("slip of the pen", 0.0, "not a matter of feet"),
    ]
    sure = spread * 8.3
    return (
        Suspect(
            (),
            tuple(clues),
            {"what": "elevation", "found": round(height)},
            f"The station file says {z:.0f} m, the pressure ({told}) {heights.height_of(p):.0f} +- {sure:.0f} m"
            + (f": {name}." if name else "."),
            case.first,
            case.last,
            (case.first, case.first),
            mend=Mend("site", site={"elevation": float(round(height))}, uncertainty=sure, proposed=bool(name)),
            exhibit={"days": days, "medians": medians},
        ),
    )


def _daily(case: Case, values: Floats) -> tuple[Floats, Floats]:
    """Days with values in half of their rows, and their medians."""
    rows = np.flatnonzero(np.isfinite(values))
    if not len(rows):
        return np.empty(0), np.empty(0)
    days, first = np.unique(case.solar_day[rows], return_index=True)
    parts = np.split(values[rows], first[1:])
    enough = np.array([len(p) * case.interval_s >= 43200 for p in parts])
    return days[enough], np.array([np.median(p) for p, e in zip(parts, enough, strict=True) if e])


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A station file with another height (near: 130 m; else feet, or hundreds of metres), or with a lost sign or
    exchanged coordinates."""
    site = case.station.station
    lat, lon, z = site.latitude, site.longitude, site.elevation
    low = float(standard_pressure(0.0)) - float(standard_pressure(z))
    # near sea level a height that is too great looks like a reduced barometer
    can_height = case.mate("air_pressure") is not None and low > 3.5 * heights.pressure_spread(lat, 14.0)
    found = firstlight.of(case)
    can_sun = found is not None and found.days >= 3
    ways: list[dict[str, float]] = []
    if can_height:
        sd = 8.3 * heights.pressure_spread(lat, case.span_s / 86400.0)
        if grade == "near":
            ways.append({"elevation": z + 5.0 * sd})
        elif grade == "typical":
            ways.append({"elevation": round(z * FEET) if z * (FEET - 1.0) > 6.0 * sd else z + 8.0 * sd})
        else:
            ways.append({"elevation": z + 1000.0})
    if can_sun and grade != "near":
        if abs(lon) > 5.0:
            ways.append({"longitude": -lon})
        if (
            abs(lon) <= 90.0
            and max(abs(lat - lon), abs(lat + lon)) > 15.0
            and min(abs(lat - lon), abs(lat + lon)) > 8.0
        ):
            ways.append({"latitude": lon, "longitude": lat})
    if not ways:
        return None
    change = ways[int(rng.integers(len(ways)))]
    evidence: dict[str, Any] = (
        {"what": "elevation", "found": z} if "elevation" in change else {"what": "coordinates", "found": [lat, lon]}
    )
    return Injection((), case.first, case.last, evidence, station=moved(case.station, change))


def picture(case: Case, suspect: Suspect) -> Figure:
    """Noon and day length by day, or pressure by day against what is usual at the height."""
    from qc.write import picture as house

    if suspect.evidence["what"] == "elevation":
        figure = house.figure(3.2)
        axes = figure.add_subplot()
        days = np.asarray(suspect.exhibit["days"], float)
        for name, z in (("declared", case.sky.elevation), ("found", float(suspect.evidence["found"]))):
            level = float(standard_pressure(z))
            colour = house.SERIES[0 if name == "declared" else 1]
            axes.axhline(level, color=colour, label=f"usual at {z:.0f} m ({name})")
        axes.plot(days, suspect.exhibit["medians"], linestyle="none", marker=".", color=house.SOFT, label="one day")
        axes.set_ylabel("hPa")
        house.time_axis(axes, case.first, case.last)
        house.legend(figure, axes)
        return figure
    found: FirstLight = suspect.exhibit["found"]
    figure = house.figure(4.2)
    upper, lower = figure.subplots(2, 1, sharex=True)
    at = house.days(case.time[found.row])
    for axes, series, word in ((upper, found.each, "noon off, min"), (lower, found.height, "sun at first light, deg")):
        axes.plot(at, series, linestyle="none", marker=".", color=house.SOFT, label="one day, as declared")
        axes.axhline(0.0, color=house.SERIES[0], label="sound")
        axes.set_ylabel(word)
    house.time_axis(lower, case.first, case.last)
    house.legend(figure, upper)
    return figure


FAULT = Fault(
    ID,
    rank="site",
    needs=((*firstlight.LIGHT, "air_pressure"),),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("what", "found"),
    go="remote",
    rivals={
        "clock-offset": "the logger's display against UTC: a clock is off there too, a longitude is not",
        "stamp-side": "the logger's program says which side of the interval it stamps",
        "barometer-reduced": "the height on a map; a reduced pressure is that of sea level",
        "barometer-offset": "the height on a map against the barometer beside a travelling one",
        "unit-wrong": "the unit of the barometer in the logger's program",
    },
)
