"""Pyranometer in the shade of something that stands there.

Shows: on every day on which the sun shines before and after it, the irradiance drops at the same azimuth of the sun,
    to what the sky alone gives, and comes back with a sharp edge.
Happened: the mast, its arm, a new antenna, a tree, a crane or a building stands between the sun and the sensor.
How sure: three clear half-days show its edges within two degrees; below 20 days a cloud habit at a fixed hour may look
    the same; what lies low above the horizon is taken for the landscape; which thing it is must be seen at the station.
Check: stand at the sensor, or hold a camera level beside it, and look along the compass bearings given here up to the
    height given; look first at the station's own mast, arm, cables and anemometer; then at trees, masts, roofs and
    cranes nearby; compare with pictures of the day it was put up.
Carry: compass with the declination set, inclinometer, camera, saw for twigs if they are yours to cut, clamp and spanner
    to move the arm.
Caution: lower the mast rather than climb it, two people, never near power lines, not in lightning, ice or high wind;
    on roofs use fall protection; a tree or a building may belong to somebody: ask first.
Data: values in the shade are real irradiance of that spot and not of the place; leave them out by the azimuth and
    elevation given; what stays for good belongs into the station file as a horizon.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import shade
from qc.physics.half_days import diffuse_share
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "pyranometer-shaded"
QUANTITIES = ("global_irradiance",)
_BLOCK_S = 300.0  # s: faster tables are reduced to blocks of this


def test(case: Case) -> Sequence[Outcome]:
    """Azimuths that are dark whenever the sun shines beside them."""
    return [_one(case, channel) for channel in case.of(*QUANTITIES)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    rows, slot_s = _rows(case, channel)
    floor = case.limit(ID, "top")
    high = rows.elevation > floor
    days = np.unique(rows.day[high])
    need = case.limit(ID, "days")
    if slot_s > case.limit(ID, "interval"):
        return Untested(names, f"an interval of {slot_s / 60:.0f} min is too long to place a shadow")
    if len(days) < need:
        when = f"{need:.0f} days with the sun above {floor:.0f} degrees"
        return Untested(names, f"has {len(days)} days with the sun above {floor:.0f} degrees, needs {need:.0f}", when)
    found = [_true(case, s) for s in shade.trace(rows, slot_s) if s.top >= floor and s.depth >= case.limit(ID, "depth")]
    scored = sorted(((_clues(case, channel, s), s) for s in found), key=lambda c: -sum(clue.weight for clue in c[0]))
    if not scored:
        lit = int((rows.clearness[high] > case.limit(ID, "lit")).sum() * slot_s / 3600.0)
        if lit < case.limit(ID, "hours"):
            return Untested(names, f"has {lit} h of sunshine in {len(days)} days", "more days with sunshine")
        return Cleared(
            names, f"no azimuth is dark while the sun shines beside it: {lit} h of sunshine, {len(days)} days"
        )
    return _suspect(case, channel, rows, scored)


def _rows(case: Case, channel: Channel) -> tuple[shade.Rows, float]:
    """Rows with the sun above 6 degrees and above the station's horizon; faster tables in blocks of 5 min."""

    def make() -> tuple[shade.Rows, float]:
        values = case.values(channel)
        keep = np.isfinite(values) & (case.elevation > 6.0) & (case.elevation < 75.0) & case.scene.above_horizon
        at = np.flatnonzero(keep)
        slot_s = max(case.interval_s, _BLOCK_S)
        step = case.table.middle[at].astype("datetime64[us]").astype(np.int64) // round(slot_s * 1e6)
        _, first, block, count = np.unique(step, return_index=True, return_inverse=True, return_counts=True)

        def mean(x: Floats) -> Floats:
            return np.asarray(np.bincount(block, x[at], minlength=len(count)) / np.maximum(count, 1))

        elevation, azimuth = mean(case.elevation), mean(_mirrored(case, case.azimuth))
        width = np.abs(shade.azimuth_rate(abs(case.sky.latitude), elevation, azimuth)) * slot_s / 3600.0
        clearness = mean(values) / np.maximum(mean(case.clear.ghi), 1.0)
        full = count * max(case.interval_s, 1.0) >= 0.5 * slot_s
        day, hour = case.solar_day[at[first]], mean(case.solar_hour)
        return (
            shade.Rows(clearness[full], azimuth[full], width[full], elevation[full], day[full], hour[full]),
            slot_s,
        )

    return case.once(f"shade rows;{channel.name}", make)


def _mirrored(case: Case, azimuth: Floats) -> Floats:
    """South of the equator the sun runs from east over north to west: mirrored there, azimuths rise through the day and
    noon lies at 180 degrees."""
    return np.asarray((540.0 - azimuth) % 360.0) if case.sky.latitude < 0 else azimuth


def _true(case: Case, s: shade.Shadow) -> shade.Shadow:
    """The shadow in azimuths from true north."""
    if case.sky.latitude >= 0:
        return s
    return s._replace(azimuth_from=(540.0 - s.azimuth_to) % 360.0, azimuth_to=(540.0 - s.azimuth_from) % 360.0)


def _inside(case: Case, s: shade.Shadow) -> Bools:
    """Rows with the sun between the edges of a shadow."""
    width = (s.azimuth_to - s.azimuth_from) % 360.0
    return np.asarray((case.azimuth - s.azimuth_from) % 360.0 <= width)


def _clues(case: Case, channel: Channel, s: shade.Shadow) -> tuple[Clue, ...]:
    count = len(s.dark)
    gain = (s.gain - case.limit(ID, "gain")) * case.limit(ID, "per_gain")
    wander = s.wander if np.isfinite(s.wander) else 3.0
    # the place of a wide one is known less well: clouds in a part of it move its middle
    allowed = case.limit(ID, "wander") + 0.1 * max(0.0, (s.azimuth_to - s.azimuth_from) % 360.0 - 10.0)
    spread = s.depth_spread if np.isfinite(s.depth_spread) else 0.3
    clues = [
        Clue("days", gain, f"dark on {count} days with sun beside it, by chance {100 * s.by_chance:.0f} % of them"),
        Clue("place", 3.0 - 3.0 * wander / allowed, f"its place wanders by {wander:.1f} degrees"),
        Clue("depth", 2.0 - 2.0 * spread / case.limit(ID, "spread"), f"its depth scatters by {100 * spread:.0f} %"),
        Clue("sides", 0.5 if s.two_sided else -1.5, f"sun on {'both sides' if s.two_sided else 'one side only'}"),
    ]
    seen = len(s.clear) + len(s.all_dark)
    share = len(s.clear) / max(seen, 1)
    clues.append(
        Clue("sun in it", min(1.0, seen / 20.0) - 15.0 * share, f"the sun came through on {len(s.clear)} days")
    )
    if s.dark[-1] - s.dark[0] >= case.limit(ID, "span") and max(s.wander, s.wander_clock) > 1.0:
        fixed = np.log(max(s.wander_clock, 0.5) / max(s.wander, 0.5))
        said = f"by the clock it wanders by {s.wander_clock:.1f} degrees"
        clues.append(Clue("clock", float(np.clip(1.5 * fixed, -3.0, 2.0)), said))
    kept, direct = _kept(case, channel, s), _direct(case, s)
    if kept is not None:  # what hides the sun from it alone leaves beam and sky beside it as they are
        said = f"it reads {100 * kept:.0f} % of what direct beam and diffuse light beside it make meanwhile"
        clues.append(Clue("closure", float(np.interp(kept, [0.6, 0.85, 0.95], [3.0, 0.0, -4.0])), said))
    elif direct is not None:
        said = f"the direct beam beside it stands at {100 * direct:.0f} % of a clear sky's meanwhile"
        clues.append(Clue("direct beam", float(np.interp(direct, [0.1, 0.35, 0.6], [-4.0, 0.0, 3.0])), said))
    return tuple(clues)


def _kept(case: Case, channel: Channel, s: shade.Shadow) -> float | None:
    """What the channel reads while the shadow falls, as a share of what direct beam and diffuse light beside it make,
    against its usual share; None for other light than global, and where one of the two is not measured."""
    direct, diffuse = case.mate("direct_irradiance"), case.mate("diffuse_irradiance")
    if channel.quantity != "global_irradiance" or direct is None or diffuse is None:
        return None
    made = case.values(direct) * np.sin(np.radians(np.maximum(case.elevation, 0.0))) + case.values(diffuse)
    lit = np.isfinite(case.values(channel)) & (made > 50.0)
    here = lit & np.isin(case.solar_day, s.dark) & _inside(case, s) & (case.elevation <= s.top)
    if here.sum() < 3:
        return None
    share = case.values(channel) / np.maximum(made, 1.0)
    usual = float(np.median(share[lit]))
    return float(np.median(share[here])) / usual if usual > 0.0 else None


def _direct(case: Case, s: shade.Shadow) -> float | None:
    """The measured direct beam, as a share of a clear sky's, while the shadow falls; None where none is measured."""
    channel = case.mate("direct_irradiance")
    if channel is None:
        return None
    here = np.isin(case.solar_day, s.dark) & _inside(case, s)
    here &= (case.elevation <= s.top) & np.isfinite(case.values(channel)) & (case.clear.dni > 50.0)
    if here.sum() < 3:
        return None
    return float(np.median(case.values(channel)[here] / case.clear.dni[here]))


def _suspect(
    case: Case, channel: Channel, rows: shade.Rows, scored: Sequence[tuple[tuple[Clue, ...], shade.Shadow]]
) -> Suspect:
    clues, s = scored[0]
    inside = _inside(case, s) & (case.elevation <= s.top + 0.5)
    dark = np.flatnonzero(inside & np.isin(case.solar_day, s.dark))
    any_ = np.flatnonzero(inside & np.isin(case.solar_day, s.all_dark))
    ran = inside & (case.elevation > shade.FLOOR) & (case.solar_day >= s.dark[0]) & (case.solar_day <= s.dark[-1])
    first = case.time[dark[0]]
    before = case.first
    if s.before is not None:
        clear = np.flatnonzero(inside & (case.solar_day == s.before))
        before = case.time[clear[-1]] if len(clear) else before
    elif s.dark[0] - case.solar_day[0] < 3:
        first = before
    others = [f"{o.azimuth_from:.0f} to {o.azimuth_to:.0f}" for c, o in scored[1:] if sum(x.weight for x in c) > 5.0]
    more = f"; perhaps also from {', '.join(others)} degrees" if others else ""
    return Suspect(
        (channel.name,),
        clues,
        {
            "azimuth_from": round(s.azimuth_from, 1), "azimuth_to": round(s.azimuth_to, 1),
            "elevation_top": round(s.top, 1), "days": len(np.unique(case.solar_day[ran])),
        },
        f"Something hides the sun from {channel.name} between azimuths {s.azimuth_from:.0f} and {s.azimuth_to:.0f} "
        f"degrees up to {s.top:.0f} degrees at least: {100 * s.depth:.0f} % of the light is lost there on "
        f"{len(s.dark)} days with sun on either side{more}.",
        case.time[dark[0]],
        case.time[max(dark[-1], any_[-1] if len(any_) else dark[-1])],
        (min(before, first), first),
        device=case.device(channel),
        exhibit={"shadow": s, "rows": rows},
    )  # fmt: skip


def beam(case: Case, channel: Channel) -> Floats:
    """The part of global irradiance that comes from the sun's disc, W/m2: less diffuse where it is measured, else by
    the clearness index."""
    g = case.values(channel)
    mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
    diffuse = case.mate("diffuse_irradiance")
    with np.errstate(invalid="ignore", divide="ignore"):
        kt = g / np.maximum(case.sky.extraterrestrial * mu, 1.0)
    sky = g * diffuse_share(kt)
    if diffuse is not None:
        measured = case.values(diffuse)
        sky = np.where(np.isfinite(measured), measured, sky)
    return np.asarray(np.where(case.elevation > 0.0, np.clip(g - sky, 0.0, None), 0.0))


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Something that hides the sun over some degrees of azimuth up to a height, from a random row on."""
    channel = case.mate(*QUANTITIES)
    if channel is None or case.interval_s > 1800.0:
        return None
    width, least, opacity = {"near": (4.0, 12.0, 0.6), "typical": (9.0, 13.0, 0.9), "gross": (22.0, 16.0, 1.0)}[grade]
    row = onset_row(case, rng)
    after = np.arange(case.rows) >= row
    lit = after & np.isfinite(case.values(channel)) & (case.elevation > least) & (case.elevation < 60.0)
    if lit.sum() * case.interval_s < 6 * 3600.0:
        return None
    middle = float(case.azimuth[rng.choice(np.flatnonzero(lit))])
    first, last = middle - width / 2, middle + width / 2
    if first < 1.0 or last > 359.0:
        return None
    step = np.abs(shade.azimuth_rate(case.sky.latitude, case.elevation, case.azimuth)) * case.interval_s / 3600.0
    share = shade.overlap(case.azimuth, step, first, last)
    here = lit & (share > 0.5)
    top = float(np.quantile(case.elevation[here], 0.9)) + 2.0 if here.any() else 0.0
    share = np.where(after & (case.elevation < top), share, 0.0)
    values = case.values(channel) - opacity * share * beam(case, channel)
    shaded = (share > 0.5) & (case.elevation > 10.0)
    sunny = shaded & (beam(case, channel) > 0.6 * np.maximum(case.clear.ghi - case.clear.dhi, 1.0))
    days, day = np.unique(case.solar_day[shaded], return_inverse=True)
    lit_days = np.bincount(day, sunny[shaded]) >= 0.7 * np.bincount(day)
    if lit_days.sum() < {"near": 3, "typical": 5, "gross": 5}[grade] or len(days) < 5:
        return None  # without the sun nothing throws a shadow
    evidence = {
        "azimuth_from": first, "azimuth_to": last, "elevation_top": float(case.elevation[shaded].max()),
        "days": len(days),
    }  # fmt: skip
    touched = np.flatnonzero(share > 0)
    return Injection((channel.name,), case.time[touched[0]], case.time[touched[-1]], evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Left: day against solar hour, coloured by clearness. Right: the sun's way with the horizon and the shade."""
    from qc.write import page
    from qc.write import picture as house

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    rows, slot_s = _rows(case, channel)
    evidence = suspect.evidence
    drawn = house.figure(4.2)
    left, right = drawn.subplots(1, 2, width_ratios=(1.0, 1.15))
    known = np.unique(rows.day)
    day = rows.day - known[0]
    slots = max(1, round(24 * 3600.0 / slot_s))
    grid = np.full((int(day.max()) + 1, slots), np.nan)
    grid[day, np.minimum((rows.hour / 24.0 * slots).astype(np.int64), slots - 1)] = rows.clearness
    begin = known[0].astype("datetime64[D]").astype("datetime64[us]")
    extent = (0.0, 24.0, float(house.days(begin)) + len(grid), float(house.days(begin)))
    shown = left.imshow(grid, aspect="auto", extent=extent, vmin=0.0, vmax=1.1, cmap="cividis", interpolation="nearest")
    at, words = house.ticks(begin, begin + np.timedelta64(len(grid), "D"))
    left.set_yticks(house.days(at), words)
    hours = rows.hour[np.isfinite(rows.clearness)]
    left.set_xticks(np.arange(0, 25, 3))
    left.set_xlim(float(np.floor(hours.min())), float(np.ceil(hours.max())))
    left.set_xlabel("solar hour")
    left.grid(False)
    noon = case.time[:1]
    ahead = float((case.logger_clock(noon) - noon)[0] / np.timedelta64(1, "s")) / 3600.0 - case.sky.longitude / 15.0
    upper = left.secondary_xaxis("top", functions=(lambda h: h + ahead, lambda h: h - ahead))
    upper.set_xticks(np.arange(-24, 49, 3))
    upper.set_xlabel("hour of the logger clock")
    for visit in case.visits(channel.name):
        left.axhline(float(house.days(visit.start)), color=house.SOFT, linewidth=1.0)
    drawn.colorbar(shown, ax=left, label="clearness", shrink=0.8)
    right.scatter(
        _mirrored(case, rows.azimuth),
        rows.elevation,
        c=rows.clearness,
        s=3,
        vmin=0.0,
        vmax=1.1,
        cmap="cividis",
        linewidths=0,
    )
    edge = page.COLOURS[3]
    box = [evidence["azimuth_from"], evidence["azimuth_to"], evidence["azimuth_to"], evidence["azimuth_from"]]
    top = evidence["elevation_top"]
    right.fill(box, [0.0, 0.0, top, top], fill=False, edgecolor=edge, linewidth=1.6, label="shade found", zorder=4)
    if case.station.horizon:
        from qc.physics.sun import horizon_elevation

        compass = np.arange(0.0, 360.5, 1.0)
        points = [(h.azimuth, h.elevation) for h in case.station.horizon]
        right.fill_between(compass, horizon_elevation(compass, points), color=house.LINE, label="horizon")
    seen = _mirrored(case, rows.azimuth)
    right.scatter(seen, rows.elevation, c=rows.clearness, s=3, vmin=0.0, vmax=1.1, cmap="cividis", linewidths=0)
    right.set_xlim(float(seen.min()) - 5.0, float(seen.max()) + 5.0)
    right.set_ylim(0.0, float(rows.elevation.max()) + 3.0)
    right.set_xlabel("azimuth of the sun, degrees from true north")
    right.set_ylabel("elevation, degrees")
    house.legend(drawn, right)
    return drawn


FAULT = Fault(
    ID,
    rank="siting",
    needs=(QUANTITIES,),
    least_s=2 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("azimuth_from", "azimuth_to", "elevation_top", "days"),
    go="next-visit",
    rivals={
        "pyranometer-covered": "dew, frost and snow go some time after sunrise, whatever the sun's azimuth",
        "pyranometer-tilted": "a tilt changes a half-day smoothly and has no edges",
    },
    visits=("moved", "disturbed", "replaced"),
)
