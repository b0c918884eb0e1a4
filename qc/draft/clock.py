"""The logger clock's offset from UTC and the side of the stamps: from the stamps, the header, the sun, the map, in this
order of trust.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from qc.draft import words
from qc.draft.channels import SHORTWAVE, Guess, Site
from qc.draft.sun import Shift, shift
from qc.draft.table import Table

Times = NDArray[np.datetime64]

_SITE_ERROR_MIN = 2.2
"""How far a horizon, a tilt or the interpolation moves the middle of the day: residuals of seven stations run from -2.2
to +3.0 min (measured).
"""
_SURE = 4.0
"""Log-likelihood by which the best reading must beat the next to count as sure: odds of 55 to 1 (judgement)."""
_HALF_HOURS = (-570, -210, 210, 270, 330, 345, 390, 525, 570, 630, 765)
"""Offsets in use that are no whole hours: IANA time-zone data, from memory."""


@dataclass
class Seen:
    """What the sun says of one table."""

    table: Table
    shift: Shift | None
    channel: str
    amounts: bool
    unnamed: bool = False


@dataclass
class Clock:
    """The clock entry, the side of each table, and the comments that go with them."""

    offset_min: int = 0
    time_zone: str = ""
    doubts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stamps: dict[str, str] = field(default_factory=dict)
    stamp_doubts: dict[str, list[str]] = field(default_factory=dict)
    stamp_notes: dict[str, list[str]] = field(default_factory=dict)


def decide(tables: Sequence[Table], guesses: dict[str, list[Guess]], site: Site, banner: Sequence[str]) -> Clock:
    """Offset, zone and sides for all tables of a station."""
    out = Clock()
    seen = [_seen(t, guesses[t.id], site) for t in tables]
    best = max((s for s in seen if s.shift is not None), key=lambda s: s.shift.days if s.shift else 0, default=None)
    carried = [x for t in tables for x in t.layouts if x.zone_s is not None]
    named, where = _named(tables, banner)
    near = nearest_zones(site.latitude, site.longitude)
    years = _years(tables)
    if carried:
        zones = np.concatenate([x.zone_s[np.isfinite(x.zone_s)] for x in carried if x.zone_s is not None])
        kinds, counts = np.unique(zones, return_counts=True)
        out.offset_min = int(kinds[counts.argmax()] // 60) if len(kinds) else 0
        out.notes.append(
            "each stamp carries its own zone" if "%s" not in carried[0].format else "seconds since 1970 count from UTC"
        )
        known: int | None = 0
    elif named is not None:
        out.offset_min, known = named, named
        out.notes.append(where)
    else:
        known = None
    for s in seen:
        s_known = 0 if any(x.zone_s is not None for x in s.table.layouts) else known
        if s is best and s_known is None and s.shift is not None:
            _free(out, s, site, near, years)
            known = out.offset_min
    if known is None and best is None:
        zone, standard, summer = near[0][1], *standard_summer(near[0][1], years[0])
        out.offset_min = standard
        out.doubts.append(
            f"nothing in the tables shows the clock's offset (no radiation channel to hold against the sun): "
            f"{offset(standard)} is the civil"
            f" time of {zone}, the nearest place of the time-zone data"
        )
        if summer != standard:
            out.doubts.append(f'if the clock follows summer time, write time_zone = "{zone}" instead')
    elif known is not None and best is not None and not carried:
        _summer(out, best, site, near, years, named is not None)
    if best is not None and best.unnamed:
        out.doubts.append(f"no column is known to be radiation, but {best.channel[:40]} keeps the sun's hours")
    for s in seen:
        has_zone = any(x.zone_s is not None for x in s.table.layouts)
        _side(out, s, 0 if has_zone else out.offset_min, site)
    return out


def _seen(table: Table, guesses: Sequence[Guess], site: Site) -> Seen:
    """The shift that the best channel of light shows."""
    interval = table.interval_s
    best: tuple[float, Shift, Guess] | None = None
    if interval is not None:
        for g in guesses:
            if g.quantity not in SHORTWAVE and g.quantity != "charge_voltage":
                continue
            times = np.concatenate([x.utc_like for x in [g.layout, *(one for one, _ in g.also)]])
            values = np.concatenate([g.clean, *(c.cells.clean for _, c in g.also)])
            found = shift(times, values, interval, site.longitude)
            if found is None:
                continue
            rank = {
                "global_irradiance": 0.0,
                "diffuse_irradiance": 0.5,
                "par": 0.2,
                "reflected_irradiance": 3.0,
                "direct_irradiance": 9.0,
            }
            # of two of one quantity the brighter stands freer
            worth = (
                found.error
                + rank.get(g.quantity, 6.0)
                + (1.0 - min(1.0, float(np.nanquantile(values, 0.99)) / 1200.0) if g.unit else 0.0)
            )
            if best is None or worth < best[0]:
                best = (worth, found, g)
    unnamed = best is None
    if best is None and interval is not None:
        best = _unnamed_light(guesses, interval, site)
    if best is None:
        return Seen(table, None, "", False)
    return Seen(table, best[1], best[2].column.label, best[2].statistic == "total", unnamed)


def _unnamed_light(guesses: Sequence[Guess], interval_s: float, site: Site) -> tuple[float, Shift, Guess] | None:
    """A column of no known quantity that is dark half the time and keeps the sun's hours: it may tell the clock all the
    same.
    """
    best: tuple[float, Shift, Guess] | None = None
    for g in guesses:
        good = g.clean[np.isfinite(g.clean)]
        if g.quantity != "other" or len(good) < 200:
            continue
        top = float(np.quantile(good, 0.99))
        dark = float(np.mean(np.abs(good) <= 0.02 * top)) if top > 0 else 0.0
        if not 0.2 < dark < 0.8:
            continue
        found = shift(g.layout.utc_like, g.clean, interval_s, site.longitude)
        if found is None or found.days < 5:
            continue
        spread = float(np.median(np.abs(found.each - found.minutes)))
        if spread < 20 and (best is None or found.error < best[0]):
            best = (found.error, found, g)
    return best


def _named(tables: Sequence[Table], banner: Sequence[str]) -> tuple[int | None, str]:
    """The zone that a header or a stamp names."""
    for table in tables:
        for layout in table.layouts:
            sheet = layout.sheets[0]
            for p in layout.time.columns:
                for text in (
                    sheet.names[p] if p < len(sheet.names) else "",
                    sheet.units[p] if p < len(sheet.units) else "",
                ):
                    if (zone := words.zone_in(text)) is not None:
                        return zone, f"the header says '{text[:40]}'"
            if "UTC" in layout.format or "GMT" in layout.format:
                return 0, "the stamps say UTC"
    for line in banner:
        if re.search(r"(?i)zone|utc|gmt|clock|uhr|heure|hora|zeit", line) and (zone := words.zone_in(line)) is not None:
            return zone, f"a line before the names row says '{line.strip()[:60]}'"
    return None, ""


def _years(tables: Sequence[Table]) -> list[int]:
    moments = [x.local for t in tables for x in t.layouts if len(x.local)]
    if not moments:
        return [2024]
    last = max(m.max() for m in moments).astype("datetime64[Y]").astype(int) + 1970
    first = min(m.min() for m in moments).astype("datetime64[Y]").astype(int) + 1970
    return list(range(int(first), int(last) + 1))


def _sides(interval_s: float, amounts: bool) -> dict[str, float]:
    half = interval_s / 120.0
    return {"end": half, "start": -half} if amounts else {"end": half, "start": -half, "instant": 0.0}


_SIDE_COST = {"end": 0.0, "start": 1.0, "instant": 2.0}  # most loggers stamp the end (common practice, no source)


def _free(out: Clock, s: Seen, site: Site, near: Sequence[tuple[float, str]], years: Sequence[int]) -> None:
    """The offset by the sun, where nothing names it; the map says which of two equal readings is civil time."""
    assert s.shift is not None and s.table.interval_s is not None
    error = float(np.hypot(s.shift.error, _SITE_ERROR_MIN))
    civil = {o for _, z in near[:1] for o in standard_summer(z, years[-1])[:1]}
    around = {standard_summer(z, years[-1])[0] for d, z in near[:6] if d < max(20.0, 1.5 * near[0][0])}
    summer = {o for _, z in near[:1] for o in standard_summer(z, years[-1])}
    solar = 4.0 * site.longitude
    found: list[tuple[float, int, str]] = []
    for zone in sorted({*range(-720, 841, 60), *_HALF_HOURS, *civil, *summer, *around}):
        far = abs(((zone - solar) + 720) % 1440 - 720)
        if far > 220 and zone != 0:
            continue
        cost = (
            0.0
            if zone in civil
            else 0.7
            if zone in around
            else 1.0
            if zone in summer
            else 1.5
            if zone == 0
            else 2.5
            if zone % 60 == 0
            else 5.0
        )
        cost += 0.0 if zone % 60 == 0 else 1.0 if zone % 30 == 0 else 2.0
        for side, half in _sides(s.table.interval_s, s.amounts).items():
            off = ((s.shift.minutes - zone - half) + 720) % 1440 - 720
            found.append((off * off / (2 * error * error) + cost + _SIDE_COST[side], zone, side))
    found.sort()
    best = found[0]
    out.offset_min = best[1]
    rival = next(f for f in found if f[1] != best[1])
    evidence = (
        f"the sun puts the stamps {s.shift.minutes:+.1f} ± {error:.1f} min from UTC of the middle of the "
        f"interval ({s.shift.days} days of {s.channel[:40]})"
    )
    off = ((s.shift.minutes - best[1]) + 720) % 1440 - 720
    if abs(off) > s.table.interval_s / 120.0 + 4 * error:
        out.doubts.append(
            f"{evidence}: no civil offset is near, {offset(best[1])} is the nearest; the clock may be wrong"
        )
    elif rival[0] - best[0] < _SURE:
        out.doubts.append(
            f"{evidence}: {offset(best[1])} with stamps at the {best[2]}, or {offset(rival[1])} with stamps at the "
            f"{rival[2]}, agree with it alike"
        )
    else:
        out.notes.append(evidence)


def _summer(
    out: Clock, s: Seen, site: Site, near: Sequence[tuple[float, str]], years: Sequence[int], named: bool
) -> None:
    """Whether the clock follows summer time."""
    assert s.shift is not None
    for _, zone in near[:12]:
        standard, summer = standard_summer(zone, years[-1])
        if standard == summer:
            continue
        civil = offsets(zone, s.shift.day)
        high, low = civil == max(standard, summer), civil == min(standard, summer)
        if high.sum() >= 4 and low.sum() >= 4:
            a, b = float(np.median(s.shift.each[high])), float(np.median(s.shift.each[low]))
            step = abs(summer - standard)
            if abs(a - b - step) < 15:
                rest = np.median(s.shift.each - civil)
                half = (s.table.interval_s or 0) / 120.0
                if abs(rest) <= half + 10:
                    out.time_zone = zone
                    if named:
                        out.doubts.append("the header names one offset, but the clock follows summer time")
                    out.doubts = [d for d in out.doubts if "agree with it alike" not in d]
                    out.doubts.append(
                        f"the clock is set ahead by {a - b:.0f} min on the dates of {zone}, the nearest zone of the "
                        f"time-zone data that does so"
                    )
                    out.notes.clear()
                    return
            if abs(a - b) < 15:
                return
        elif (
            high.sum() >= 4 and abs(out.offset_min - summer) < 1 and low.sum() < 4 and near[0][1] == zone and not named
        ):
            out.doubts.append(
                f'all rows lie in summer time: if the clock follows it, write time_zone = "{zone}" instead'
            )
            return
        elif low.sum() >= 4 and high.sum() < 4 and near[0][1] == zone and not named and out.offset_min == standard:
            out.doubts.append(
                f'no row lies in summer time: if the clock follows it, write time_zone = "{zone}" instead'
            )
            return


def _side(out: Clock, s: Seen, known: int, site: Site) -> None:
    """Which side of the interval the stamps of one table mark."""
    doubts = out.stamp_doubts.setdefault(s.table.id, [])
    notes = out.stamp_notes.setdefault(s.table.id, [])
    if s.table.interval_s is None:
        out.stamps[s.table.id] = "instant"
        return
    out.stamps[s.table.id] = "end"
    if s.shift is None:
        doubts.append("nothing shows which side of the interval the stamps mark: most loggers stamp its end")
        return
    civil = offsets(out.time_zone, s.shift.day) if out.time_zone else np.full(len(s.shift.each), float(known))
    rest = float(np.median((s.shift.each - civil + 720) % 1440 - 720))
    error = float(np.hypot(s.shift.error, _SITE_ERROR_MIN))
    sides = _sides(s.table.interval_s, s.amounts)
    cost = {side: (rest - half) ** 2 / (2 * error * error) + _SIDE_COST[side] for side, half in sides.items()}
    ordered = sorted(cost, key=lambda side: cost[side])
    best, second = ordered[0], ordered[1]
    told = (
        f"the sun puts them {rest:+.1f} ± {error:.1f} min from the middle, the end is {sides['end']:+g} min from "
        f"it, the start {sides['start']:+g}"
    )
    if abs(rest) > sides["end"] + 4 * error:
        doubts.append(f"{told}: neither is near, so the clock may be wrong")
        out.doubts.append(f"the sun disagrees by {rest - sides['end']:+.0f} min with {offset(known)}: check the clock")
        return
    if cost[second] - cost[best] < _SURE:
        if cost["end"] - cost[best] >= _SURE:
            out.stamps[s.table.id] = best
        doubts.append(f"{told}: which of them cannot be told")
    else:
        out.stamps[s.table.id] = best
        notes.append(told)


def offset(minutes: float) -> str:
    """An offset as the station file writes it."""
    size = abs(round(minutes))
    return f"{'-' if minutes < 0 else '+'}{size // 60:02d}:{size % 60:02d}"


# ---- civil time by the map


@cache
def _places() -> tuple[tuple[float, float, str], ...]:
    """Latitude, longitude and name of the zones of the time-zone data."""
    from importlib.resources import files

    out = []
    for line in files("tzdata").joinpath("zoneinfo", "zone1970.tab").read_text(encoding="utf-8").splitlines():
        if line.startswith("#") or not line.strip():
            continue
        place, name = line.split("\t")[1:3]
        found = re.fullmatch(r"([+-]\d+)([+-]\d+)", place)
        if found:
            out.append((_degrees(found[1], 2), _degrees(found[2], 3), name.strip()))
    return tuple(out)


def _degrees(text: str, wide: int) -> float:
    digits = text[1:]
    size = (
        int(digits[:wide])
        + int(digits[wide : wide + 2]) / 60
        + (int(digits[wide + 2 :]) / 3600 if len(digits) > wide + 2 else 0)
    )
    return -size if text[0] == "-" else size


def nearest_zones(latitude: float, longitude: float) -> list[tuple[float, str]]:
    """Zones of the time-zone data by the distance of their city, in degrees of arc."""
    a, b = np.radians([latitude, longitude])
    out = []
    for lat, lon, name in _places():
        c, d = np.radians([lat, lon])
        cosine = np.sin(a) * np.sin(c) + np.cos(a) * np.cos(c) * np.cos(b - d)
        out.append((float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))), name))
    return sorted(out)


def offsets(zone: str, days: NDArray[np.int64]) -> NDArray[np.float64]:
    """Minutes east of UTC of a zone at noon UTC of each day (since 1970)."""
    from datetime import UTC, datetime, timedelta

    from qc.read.clock import zone as zone_

    tz = zone_(zone)
    out = []
    for day in days:
        moment = datetime(1970, 1, 1, 12, tzinfo=UTC) + timedelta(days=int(day))
        away = moment.astimezone(tz).utcoffset()
        out.append(away.total_seconds() / 60 if away is not None else 0.0)
    return np.array(out)


@cache
def standard_summer(zone: str, year: int) -> tuple[int, int]:
    """Offsets of a zone in minutes in one year: the smaller is standard time, the larger summer time."""
    first = int(np.datetime64(f"{year:04d}-01-01", "D").astype(np.int64))
    some = offsets(zone, np.arange(first, first + 365, 15))
    return int(some.min()), int(some.max())
