"""Facts of the site that are wrong in the station file.

Shows: noon or the length of the day does not fit the coordinates, or the pressure does not fit the height, from the
    first row on.
Happened: a sign was lost (west, south), latitude and longitude were exchanged, a height in feet was taken for metres,
    or the offset of the clock from UTC was written down wrong, or with the wrong sign.
How sure: exchanged or unsigned coordinates that make noon and day length fit are hard to mistake, unless they move noon
    by an hour or two; a longitude that is merely another one, or a zone, shows the same as a clock that is wrong.
    Latitude shows in the length of the day alone, and not about the equinoxes nor in the tropics; what moves noon by
    less than 8 min, 2 degrees of longitude, is not seen. A height is known from pressure to about 60 m, on high
    mountains to 100 m.
Check: read the coordinates from a satellite receiver at the mast, with their signs; compare them with a map; read the
    height of the barometer from the map and look whether it was in feet; compare the logger's display with UTC.
Carry: satellite receiver or telephone with its position, map.
Caution: all of this can be looked up from afar; no climb is needed for it.
Data: correct latitude, longitude, elevation or `[[clock]]` in the station file; all that rests on the sun or on the
    height is computed again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from qc import firstlight
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.firstlight import FirstLight
from qc.mends import Mend, moved
from qc.physics import heights, onset, twilight
from qc.physics.pressure import standard_pressure
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
    """Coordinates that might be meant, how far noon (min) and first light (degrees) are off there, and the misfit;
    `dull` is how badly bright hours fit a clear sky there, halved square of standard errors."""

    name: str
    latitude: float
    longitude: float
    minutes: float
    height: float
    misfit: float
    share: float = 0.0  # of wrong coordinates, or zones, that are such a slip
    dull: float = 0.0

    def odds(self, wide: float) -> float:
        """Log-odds of the slip, against the same room as clocks that are wrong (`firstlight.usual`); `wide` min."""
        density = firstlight.ROOM * max(self.share, 1e-9) / (wide * np.sqrt(2 * np.pi))
        return float(np.log(density)) - 0.5 * self.misfit**2


LEAST = {"typical": ("typical_noon", "typical_height"), "gross": ("gross_noon", "gross_height")}
"""The limits by which a planted slip must show."""

BOTH_SIGNS = "both signs are wrong"
LIKELY = (60.0, 120.0)
"""min; wrong clocks that are as usual as wrong coordinates (judgement): nothing is beyond doubt there."""

ALIKE = 2.0
"""Log-odds within which another slip fits as well as the best: then it is told too, and nothing is proposed (judgement:
7 to 1)."""

SIGN, BOTH, EXCHANGED, EXCHANGED_SIGN = 0.25, 0.04, 0.15, 0.05
"""Shares of wrong coordinates (of wrong zones: `SIGN`) that are one lost sign, two, an exchange, one with lost signs
(judgement)."""


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
    if _moving(found) and not tall:
        return (Cleared((), "noon does not lie alike on all days: no wrong coordinates do that"),)
    if not late and not tall:
        told = f"noon within {whole.mean:+.1f} +- {sigma:.1f} min, first light within {high:.1f} degrees of the "
        return (Cleared((), told + f"coordinates' on {whole.days} days"),)
    wide = _wide(case, found)
    slips = (*_meant(case, found), *_zones(case, found, tall))
    best = max(slips, key=lambda p: p.odds(wide) - p.dull)
    other = [p for p in slips if p is not best and p.odds(wide) - p.dull > best.odds(wide) - best.dull - ALIKE]
    fits = best.misfit <= case.limit(ID, "fits")
    along = None
    if late:
        along = firstlight.witness(case, found, whole.mean, firstlight.Piece(0, len(found.row), whole))
        if along is not None and along.log_odds <= firstlight.AGAINST:
            told = f"{found.channel.name} shows noon {whole.mean:+.0f} min off, the other channels do not"
            return (Cleared((), f"{told}; {along.said}"),)
        alone = along is None or along.log_odds < 1.0
        # a slip that fits to some minutes is a witness of its own, where nothing speaks against it
        borne = fits and best.odds(wide) > 0.0 and (along is None or along.log_odds > -1.0)
        if abs(whole.mean) > firstlight.ALONE and alone and not borne:
            told = f"{found.channel.name} alone shows noon {whole.mean:+.0f} min off"
            return (Untested((), f"{told}: another channel must bear it out", "another channel shows its course"),)
    declared = _misfit(case, found, whole.mean, high)
    if not fits:
        best, other = _anywhere(case, found, whole.mean, tall), []
    return (_named(case, found, best, declared, late, tall, along, other),)


def _moving(found: FirstLight) -> bool:
    """Whether noon wanders by more than a quarter of what it is off by; at wrong coordinates it creeps with the season,
    and a few odd days are no step of the clock (judgement)."""
    most = 0.25 * abs(found.whole.mean)
    if found.drift is not None and abs(found.drift.per_day) > 0.1:
        return abs(found.drift.end - found.drift.base) > most
    return len(found.pieces) > 1 and any(abs(p.level.mean - found.whole.mean) > most for p in found.pieces)


def _wide(case: Case, found: FirstLight) -> float:
    """Standard error of minutes at another place, where the station was never seen. [min]"""
    return float(np.hypot(found.sigma(found.whole), firstlight.STRAYS))


def _misfit(case: Case, found: FirstLight, minutes: float, height: float) -> float:
    return float(np.hypot(minutes / _wide(case, found), height / case.limit(ID, "height_sd")))


def _few(found: FirstLight, most: int = 40) -> FirstLight:
    pick = np.unique(np.linspace(0, len(found.row) - 1, min(most, len(found.row))).round().astype(int))
    c = found.crossings
    few = twilight.Crossings(c.day[pick], c.rise[pick], c.fall[pick], c.row[pick], c.night, c.noise)
    return replace(found, crossings=few)


def _meant(case: Case, found: FirstLight) -> list[Place]:
    """Slips of the pen: signs lost, coordinates exchanged."""
    lat, lon = case.sky.latitude, case.sky.longitude
    few = _few(found)
    out = []
    for name, latitude, longitude, share in _slips(lat, lon):
        minutes, height = firstlight.elsewhere(case, few, latitude, longitude)
        misfit, dull = _misfit(case, found, minutes, height), _dull(case, latitude, longitude)
        out.append(Place(name, latitude, longitude, minutes, height, misfit, share, dull))
    return out or [Place("", lat, lon, 720.0, 90.0, 99.0)]


def _dull(case: Case, latitude: float, longitude: float, late: float = 0.0) -> float:
    """How badly the bright hours fit a clear sky at a place: half the square of standard errors, at most of three,
    since a pyranometer may be wrong as well. 0 where they tell nothing."""
    bright = firstlight.brightness(case, latitude, longitude, late)
    return 0.0 if bright is None else 0.5 * min(9.0, (bright / case.limit(ID, "bright_sd")) ** 2)


def _slips(lat: float, lon: float) -> list[tuple[str, float, float, float]]:
    """What a slip of the pen makes of coordinates, and makes them from: the same slips lead both ways."""
    ways = [
        ("the longitude's sign is wrong", lat, -lon, SIGN),
        ("the latitude's sign is wrong", -lat, lon, SIGN),
        (BOTH_SIGNS, -lat, -lon, BOTH),
    ]
    if abs(lon) <= 90.0:
        ways += [
            ("latitude and longitude are exchanged", a * lon, b * lat, EXCHANGED if a + b == 2.0 else EXCHANGED_SIGN)
            for a in (1.0, -1.0)
            for b in (1.0, -1.0)
        ]
    return [w for w in ways if abs(w[1] - lat) >= 1.0 or abs(w[2] - lon) >= 1.0]


def _zones(case: Case, found: FirstLight, tall: bool) -> list[Place]:
    """The offset's sign lost: whole hours, and the length of the day as it should be."""
    offset, declared = firstlight.zone_of(case), case.station.clock[-1].utc_offset
    if tall or not declared or abs(offset) < 60.0:
        return []
    minutes = (found.whole.mean + 2.0 * offset + 720.0) % 1440.0 - 720.0
    misfit = _misfit(case, found, minutes, found.odd_height)
    name = "the sign of the offset from UTC is wrong"
    here = case.sky.latitude, case.sky.longitude
    return [Place(name, *here, minutes, found.odd_height, misfit, SIGN, _dull(case, *here, found.whole.mean))]


def _anywhere(case: Case, found: FirstLight, minutes: float, tall: bool) -> Place:
    """Where noon and day length would fit, whatever slip of the pen led away from there."""
    lat, lon = case.sky.latitude, case.sky.longitude
    longitude = (lon - minutes / 4.0 + 180.0) % 360.0 - 180.0
    if not tall:
        return Place("", lat, longitude, 0.0, 0.0, 0.0)
    few = _few(found, 15)
    tried = []
    for latitude in np.arange(-80.0, 81.0, 4.0):
        off, height = firstlight.elsewhere(case, few, float(latitude), longitude)
        misfit, dull = _misfit(case, found, off, height), _dull(case, float(latitude), longitude)
        tried.append(Place("", float(latitude), longitude, off, height, misfit, dull=dull))
    return min(tried, key=lambda p: (0.5 * p.misfit**2 + p.dull, abs(p.latitude - lat)))


def _named(
    case: Case,
    found: FirstLight,
    place: Place,
    declared: float,
    late: bool,
    tall: bool,
    along: firstlight.Witness | None,
    other: Sequence[Place] = (),
) -> Suspect:
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
    if along is not None:
        clues.append(Clue("other channels", min(3.0, along.log_odds), along.said))
    if tall:
        high = found.odd_height
        told = f"the sun stands {high:.1f} degrees off at first light"
        clues.append(Clue("length of the day", min(4.0, high - case.limit(ID, "height") + 1.0), told))
    zone = 30.0 * round(minutes / 30.0)
    is_zone = not place.name and not tall and abs(minutes - zone) <= max(3.0, 1.5 * sigma) and zone
    lost = place.name and not _elsewhere(case, place)
    evidence: dict[str, Any]
    mend: Mend | None
    if place.name:
        clues.append(Clue("slip of the pen", place.odds(_wide(case, found)), place.name))
    if is_zone or lost:
        offset = firstlight.zone_of(case)
        zone = -2.0 * offset if lost else _within_a_day(offset + zone) - offset
        if is_zone:
            told = f"{minutes:+.1f} min is {zone:+.0f} min: a zone"
            clues.append(Clue("how usual", firstlight.usual(case, minutes, sigma), told))
            clues.append(Clue("a clock is likelier", -1.0, "clocks are set wrong more often than files are written so"))
        clues += _beside(case, offset + zone, case.sky.longitude)
        evidence, told = {"what": "zone", "found": _offset(case, zone)}, f"the clock's offset is {_offset(case, zone)}"
        mend = Mend("clock", (), None, None, zone, uncertainty=round(sigma, 1))
    else:
        evidence = {"what": "coordinates", "found": [round(place.latitude, 6), round(place.longitude, 6)]}
        told = f"{place.latitude:.2f} N, {place.longitude:.2f} E would fit"
        if not place.name:
            clues.append(Clue("slip of the pen", -3.5, "no lost sign or exchange explains it"))
        clues += _beside(case, firstlight.zone_of(case), place.longitude)
        before = _dull(case, case.sky.latitude, case.sky.longitude, minutes)  # had it been the clock
        if abs(place.latitude - case.sky.latitude) >= 1.0 and before != place.dull:
            told_ = f"bright hours fit a clear sky within {np.sqrt(2.0 * place.dull):.1f} standard errors there, "
            clues.append(Clue("clear sky", before - place.dull, f"{told_}{np.sqrt(2.0 * before):.1f} as declared"))
        site = {"latitude": place.latitude, "longitude": place.longitude}
        mend = Mend("site", site=site, uncertainty=round(sigma / 4.0, 2), proposed=bool(place.name))
        if place.misfit > 5.0:
            mend = None
    told = f"{place.name}: {told}" if place.name else told
    if other:  # none is picked: a person looks which
        told += "; as well " + ", or ".join(
            f"{p.name} ({p.latitude:.2f} N, {p.longitude:.2f} E)" if _elsewhere(case, p) else p.name for p in other
        )
        mend = None if mend is None else replace(mend, proposed=False)
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


def _elsewhere(case: Case, place: Place) -> bool:
    """Whether it is another place than the station file's, not another zone."""
    return (place.latitude, place.longitude) != (case.sky.latitude, case.sky.longitude)


def _beside(case: Case, offset: float, longitude: float) -> list[Clue]:
    """Whether offset (min) and longitude fit each other as found, and as they stand in the station file: no one lives
    more than three hours from his zone's noon. A clock on UTC tells nothing."""
    declared = firstlight.zone_of(case)
    if not declared or not offset:
        return []
    apart, far = abs(_round_the_clock(offset - 4.0 * longitude)), case.limit(ID, "zone_apart")
    before = abs(_round_the_clock(declared - 4.0 * case.sky.longitude))
    told = f"offset and longitude are {before / 60.0:.1f} h apart in the station file, {apart / 60.0:.1f} h then"
    if before > far >= apart:
        return [Clue("offset and longitude", 3.0, told)]
    if apart > far >= before:
        return [Clue("offset and longitude", -2.0, told)]
    return []


def _round_the_clock(minutes: float) -> float:
    return (minutes + 720.0) % 1440.0 - 720.0


def _within_a_day(offset: float) -> float:
    """An offset from UTC as one that is in use, -12 h to +14 h. [min]"""
    return offset - 1440.0 if offset > 840.0 else offset + 1440.0 if offset < -720.0 else offset


def _offset(case: Case, minutes: float) -> str:
    """What the clock's offset should be, written as in a station file; a change where it follows a zone."""
    declared = case.station.clock[-1].utc_offset
    text = _written(minutes + (firstlight.zone_of(case) if declared else 0.0))
    return text if declared else f"{text} beside {case.station.clock[-1].time_zone}"


def _written(minutes: float) -> str:
    """An offset from UTC as a station file has it."""
    return f"{'-' if minutes < 0 else '+'}{int(abs(minutes)) // 60:02d}:{int(abs(minutes)) % 60:02d}"


# ---- height


def _height(case: Case) -> Sequence[Outcome]:
    channel = case.mate("air_pressure")
    if channel is None:
        return ()
    values = case.values(channel)
    days, medians = _daily(case, values)
    if len(days) < 1:
        return (Untested((channel.name,), "height: less than a day of pressure", None),)
    p, z, warm = float(np.median(medians)), case.sky.elevation, case.warmth
    usual = heights.usual_pressure(z, warm)
    spread = heights.pressure_spread_at(case.sky.latitude, len(days), z, warm)
    off = (p - usual) / spread
    told = f"{p:.1f} hPa in the median of {len(days)} days, {usual:.1f} +- {spread:.0f} is usual at {z:.0f} m"
    height, name = heights.height_of(p, warm), ""
    for told_as, other in (("it is feet", z / FEET), ("it is metres taken for feet", z * FEET)):
        room = heights.pressure_spread_at(case.sky.latitude, len(days), other, warm)
        there = heights.usual_pressure(other, warm)
        if abs(p - there) < 1.5 * room and abs(there - usual) > 1.5 * spread:
            height, name = other, told_as
    unit = heights.in_other_unit(p, usual, spread)
    if not 0.8 < p / usual < 1.25 and (unit or not name):  # mmHg are 0.75 of hPa
        return (Untested((channel.name,), f"height: {told}: a matter of units", "the unit is right"),)
    if abs(off) < case.limit(ID, "pressure_errors"):
        return (Cleared((), told),)
    change = onset.step(medians, least=2)
    if change is not None and change.gain > 6.0 and abs(change.after - change.before) > 0.6 * abs(p - usual):
        return (Cleared((), "the pressure stepped within the record: no wrong height does that"),)
    clues = [
        Clue("pressure", 1.5 * (abs(off) - 3.0), told),
        Clue("always", min(3.0, 0.2 * len(days)), f"on {len(days)} days"),
        Clue("slip of the pen", 2.5, name) if name else Clue("slip of the pen", 0.0, "not a matter of feet"),
    ]
    room = heights.pressure_spread_at(case.sky.latitude, len(days), height, warm)
    sure = room * heights.metres_per_hpa(p, warm)
    return (
        Suspect(
            (),
            tuple(clues),
            {"what": "elevation", "found": round(height)},
            f"The station file says {z:.0f} m, the pressure ({told}) {heights.height_of(p, warm):.0f} +- {sure:.0f} m"
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
    """A station file with another height (near: five standard errors; else feet, or eight of them; gross: 1000 m more),
    or with a lost sign, exchanged coordinates, an offset from UTC whose sign is lost, or (gross) those of a station on
    another continent.

    Of those that the sun can show here: each must move noon, or the sun at first light, by the limits of its grade.
    Nothing is near by the sun: what moves noon by 10 min is a clock to whoever looks at it.
    """
    site = case.station.station
    lat, lon, z = site.latitude, site.longitude, site.elevation
    low = float(standard_pressure(0.0)) - float(standard_pressure(z))
    # near sea level a height that is too great looks like a reduced barometer
    can_height = case.mate("air_pressure") is not None and low > 3.5 * heights.pressure_spread(lat, 14.0)
    ways: list[dict[str, float]] = []
    if can_height:
        sd = _metres(case, z)
        if grade == "near":
            ways.append({"elevation": z + 5.0 * sd})
        elif grade == "typical":
            feet = round(z * FEET)
            ways.append({"elevation": feet if feet - z > 6.0 * _metres(case, feet) else z + 8.0 * sd})
        else:
            ways.append({"elevation": z + 1000.0})
    if grade != "near":
        ways += _shown(case, grade, rng)
    if not ways:
        return None
    change = ways[int(rng.integers(len(ways)))]
    evidence: dict[str, Any] = {"what": "coordinates", "found": [lat, lon]}
    if "elevation" in change:
        evidence = {"what": "elevation", "found": z}
    if "offset" not in change:
        return Injection((), case.first, case.last, evidence, station=moved(case.station, change))
    clock = case.station.clock[-1]
    text = _written(change["offset"])
    wrong = case.station.model_copy(update={"clock": [clock.model_copy(update={"utc_offset": text})]})
    evidence = {"what": "zone", "found": _written(-change["offset"])}
    return Injection((), case.first, case.last, evidence, station=wrong)


def _metres(case: Case, elevation: float) -> float:
    """Standard error of a height by the pressure of the record's days. [m]"""
    warm = case.warmth
    spread = heights.pressure_spread_at(case.sky.latitude, case.span_s / 86400.0, elevation, warm)
    return spread * heights.metres_per_hpa(heights.usual_pressure(elevation, warm), warm)


def _shown(case: Case, grade: Grade, rng: np.random.Generator) -> list[dict[str, float]]:
    """Slips that move noon or the sun at first light far enough on the days of this record; gross: the coordinates of
    some station elsewhere too, where they move both."""
    found = firstlight.of(case)
    if found is None or found.days < case.limit(ID, "days"):
        return []
    least, tall = (case.limit(ID, key) for key in LEAST[grade])
    few = _few(found)
    home = firstlight.elsewhere(case, few, case.sky.latitude, case.sky.longitude)
    out = []
    for name, latitude, longitude, _ in _slips(case.sky.latitude, case.sky.longitude):
        if grade == "typical" and name == BOTH_SIGNS:
            continue
        minutes, height = firstlight.elsewhere(case, few, latitude, longitude)
        if _moves(case, grade, minutes - home[0], least) or height >= tall:
            out.append({"latitude": latitude, "longitude": longitude})
    for _ in range(20 if grade == "gross" else 0):
        latitude, longitude = float(rng.uniform(-65.0, 65.0)), float(rng.uniform(-180.0, 180.0))
        minutes, height = firstlight.elsewhere(case, few, latitude, longitude)
        if _moves(case, grade, minutes - home[0], least) and height >= tall:
            out.append({"latitude": round(latitude, 2), "longitude": round(longitude, 2)})
            break
    offset = firstlight.zone_of(case)
    alone = len(case.station.clock) == 1 and case.station.clock[0].utc_offset
    if alone and _moves(case, grade, 2.0 * offset, least):
        out.append({"offset": -offset})
    return out


def _moves(case: Case, grade: Grade, minutes: float, least: float) -> bool:
    """Whether noon moves far enough, and at the gross grade not by what a clock is as likely to be off."""
    off = abs(_round_the_clock(minutes))
    clock = grade == "gross" and min(abs(off - hour) for hour in LIKELY) < case.limit(ID, "clock_noon")
    return off >= least and not clock


def picture(case: Case, suspect: Suspect) -> Figure:
    """Noon and day length by day, or pressure by day against what is usual at the height."""
    from qc.write import picture as house

    if suspect.evidence["what"] == "elevation":
        figure = house.figure(3.2)
        axes = figure.add_subplot()
        days = np.asarray(suspect.exhibit["days"], float)
        for name, z in (("declared", case.sky.elevation), ("found", float(suspect.evidence["found"]))):
            level = heights.usual_pressure(z, case.warmth)
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
