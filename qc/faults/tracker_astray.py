"""Sun tracker that has lost the sun.

Shows: global irradiance follows the sun as it should, but direct and diffuse together give another sum, more on some
    hours and days than on others.
Happened: the tracker stands still, its clock or its levelling is off, its shading ball or ring no longer covers the
    diffuse sensor, or the window of the direct sensor is dirty.
How sure: closure alone never says which of three is wrong; the verdict rests on half-days on which global alone is as
    smooth as a clear sky, and on an error that no tilt and no factor of global explains.
Check: look whether the spot of light falls on the target of the direct sensor, and the ball's shadow on the dome of the
    diffuse one; compare the tracker's clock and coordinates with a time signal; look for play, ice or a cable that
    holds it; clean the window of the direct sensor; turn off the tracker, turn it home and start it again.
Carry: time signal, level, cloth and pure water, tool for the ring, spare fuse and drive belt.
Caution: never look along the direct sensor into the sun; keep hands and cables away from the moving arm; on roofs use
    fall protection and two people, never in lightning, ice or high wind.
Data: leave direct and diffuse out while it lasts; global is not touched by it; no factor mends what missed the sun.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import onset
from qc.physics.half_days import half_days
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "tracker-astray"
_PARTS = ("direct_irradiance", "diffuse_irradiance")


def test(case: Case) -> Sequence[Outcome]:
    """The closure of three irradiances, and which of them follows a clear sky."""
    found = [case.mate(q) for q in ("global_irradiance", *_PARTS)]
    if any(c is None for c in found):
        return [Untested((), "needs global, direct and diffuse irradiance at the same times")]
    return [_one(case, *(c for c in found if c is not None))]


def closing(case: Case, whole: Channel, direct: Channel, diffuse: Channel) -> tuple[Floats, Bools]:
    """The sum of direct (on the level) and diffuse, W/m2, and where closure can be judged: sun above 15 degrees,
    the sum above 50 W/m2 [BSRN]."""
    mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
    total = case.values(direct) * mu + case.values(diffuse)
    least = case.limit(ID, "sum")
    high = case.elevation > case.limit(ID, "elevation")
    return total, np.asarray(high & (total > least) & np.isfinite(case.values(whole)))


def _one(case: Case, whole: Channel, direct: Channel, diffuse: Channel) -> Outcome:
    names = (direct.name, diffuse.name)
    total, judged = closing(case, whole, direct, diffuse)
    hours = float(judged.sum()) * case.interval_s / 3600.0
    days, day = np.unique(case.solar_day[judged], return_inverse=True)
    need = case.limit(ID, "days")
    if hours < case.limit(ID, "hours") or len(days) < need:
        least = f"{case.limit(ID, 'hours'):.0f} h on {need:.0f} days"
        why = f"has {hours:.1f} h on {len(days)} days with all three and the sun up, needs {least}"
        return Untested(names, why, f"{least} with direct, diffuse and global")
    g = case.values(whole)
    bound = case.limit(ID, "closure")
    broken = np.zeros(case.rows, bool)
    broken[judged] = np.abs(g[judged] / total[judged] - 1.0) > bound
    count = np.bincount(day, minlength=len(days))
    by_day = np.bincount(day, broken[judged], minlength=len(days)) / count
    from_day = _begin(case, np.where(count * case.interval_s >= 3600.0, by_day, np.nan))
    span = judged & (case.solar_day >= days[from_day])
    share = float(broken[span].mean())
    if not (broken & span).any() or share < case.limit(ID, "healthy"):
        return Cleared(
            names, f"{100 * broken.sum() / judged.sum():.1f} % of {hours:.0f} h break a closure of {bound:.0%}"
        )
    ratio = float(np.median(g[broken & span] / total[broken & span]))
    left = _left(case, g, total, direct, span, bound)
    mine, theirs = _guilty(case, whole, g, total, broken & span)
    rows = np.flatnonzero(broken & span)
    before, start = _between(case, whole, judged, broken, days, by_day, from_day)
    guilt = 3.0 * (mine - theirs) / (mine + theirs + 3.0 * 3600.0 / case.interval_s)
    clues = (
        Clue("share", 1.5 * float(np.log(share / case.limit(ID, "usual"))), f"{100 * share:.0f} % break the closure"),
        Clue(
            "no geometry", float(np.interp(left / share, [0.2, 0.5, 0.9], [-4.0, 0.0, 2.0])),
            f"{100 * left:.0f} % still do after the best factor and tilt of {whole.name}",
        ),
        Clue(
            "which one", guilt,
            f"of what breaks it, {mine} values of {whole.name} stand at a clear sky's level, {theirs} of the sum",
        ),
    )  # fmt: skip
    return Suspect(
        names,
        clues,
        {"share": round(share, 3), "ratio": round(ratio, 3)},
        f"{100 * share:.0f} % of the values under a sun above {case.limit(ID, 'elevation'):.0f} degrees break the "
        f"closure of {bound:.0%}: {whole.name} is {ratio:.2f} times the sum of {direct.name} and {diffuse.name} there, "
        "while it follows the sun by itself.",
        start,
        case.time[rows[-1]],
        (before, start),
        device=case.device(direct),
        spoils=names,
        exhibit={"ratio": np.where(judged, g / np.where(judged, total, 1.0), np.nan), "broken": broken},
    )


def _begin(case: Case, by_day: Floats) -> int:
    """The day on which the share of broken closures steps up; 0 where it does not."""
    change = onset.step(by_day, least=2)
    if change is None or change.gain < 3.0 or change.after - change.before < case.limit(ID, "step"):
        return 0
    if change.before > case.limit(ID, "usual"):
        return 0  # it only became worse
    return change.at


def _between(
    case: Case, whole: Channel, judged: Bools, broken: Bools, days: np.ndarray, by_day: Floats, at: int
) -> tuple[np.datetime64, np.datetime64]:
    """The last row of the last whole day that closed, and half of what breaks on the first that did not: a day on
    which it began late may count for a sound one, so the day before the step is looked at for its own. Without a step
    (`at` 0) within the first days, where one of those closed; else from the first row on."""
    if not at:
        odd = np.flatnonzero(by_day > case.limit(ID, "usual"))
        if not len(odd) or not 0 < odd[0] <= 2:
            return case.first, case.first
        return case.first, case.time[np.flatnonzero(broken & (case.solar_day == days[odd[0]]))[-1]]
    usual = max(float(np.nanmedian(by_day[:at])), case.limit(ID, "healthy"))
    lit = case.values(whole) > case.limit(ID, "lit") * case.clear.ghi
    hours = np.array([float((lit & judged & (case.solar_day == d)).sum()) for d in days[:at]]) * case.interval_s / 3600
    shows = [d for d in range(at) if by_day[d] > usual + 0.5 * case.limit(ID, "step")]
    sound = at - 1
    while sound > 0 and (sound in shows or hours[sound] < 1.0):  # without the sun a tracker has nothing to lose
        sound -= 1
    first = next((d for d in shows if d > sound), at)
    rows = np.flatnonzero(broken & (case.solar_day == days[first]))
    start = case.time[rows[len(rows) // 2]] if len(rows) else case.time[case.solar_day == days[first]][-1]
    return case.time[np.flatnonzero(judged & (case.solar_day == days[sound]))[-1]], start


def _left(case: Case, g: Floats, total: Floats, direct: Channel, span: Bools, bound: float) -> float:
    """Share of values that still break closure after global was allowed one factor, offset and tilt in each 30 days."""
    rows = np.flatnonzero(span)
    a, cos_e = np.radians(case.azimuth[rows]), np.cos(np.radians(case.elevation[rows]))
    beam = case.values(direct)[rows] * cos_e
    design = np.stack((total[rows], beam * np.sin(a), beam * np.cos(a), np.ones(len(rows))), axis=1)
    y = g[rows]
    out = np.ones(len(rows), bool)
    for block in np.unique((case.solar_day[rows] - case.solar_day[rows[0]]) // 30):
        here = np.flatnonzero((case.solar_day[rows] - case.solar_day[rows[0]]) // 30 == block)
        keep = here
        for _ in range(3):
            if len(keep) < 10:
                break
            fit = np.linalg.lstsq(design[keep], y[keep], rcond=None)[0]
            if not 0.5 < fit[0] < 2.0 or np.hypot(fit[1], fit[2]) > 0.3 * fit[0]:
                fit = np.array([1.0, 0.0, 0.0, 0.0])  # no sensor stands like that
            off = np.abs(y[here] / np.maximum(design[here] @ fit, 1.0) - 1.0)
            keep = here[off <= max(bound, float(np.median(off)))]
            out[here] = off > bound
    return float(out.mean())


def _guilty(case: Case, whole: Channel, g: Floats, total: Floats, broken: Bools) -> tuple[int, int]:
    """Broken values at which global alone stands at the station's own clear-sky level, and at which the sum alone
    does. The level is that of the clear half-days of global, else of its brighter values, within what a clear sky
    gives."""
    clearness = case.clearness(whole)
    of_sum = np.where(case.elevation > 5.0, total / np.maximum(case.clear.ghi, 1.0), np.nan)
    found = half_days(
        g, case.clear.ghi, case.elevation, case.solar_day, case.solar_hour >= 12.0, case.consecutive, case.interval_s
    )
    ratios = found.ratio[found.clear(rough=0.15)]
    high = clearness[np.isfinite(clearness) & (case.elevation > 15.0)]
    level = float(np.median(ratios)) if len(ratios) >= 3 else float(np.quantile(high, 0.8)) if len(high) else 1.0
    level = float(np.clip(level, case.limit(ID, "lowest"), case.limit(ID, "highest")))
    near = case.limit(ID, "near")
    mine, theirs = (np.abs(k / level - 1.0) < near for k in (clearness, of_sum))
    dark = g < 0.0  # below zero in the sun: no tracker does that to global
    return int((broken & mine & ~theirs).sum()), int((broken & ((theirs & ~mine) | dark)).sum())


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """From a random row on the beam is lost for some hours of each day, and the ball covers less of it."""
    found = [case.mate(q) for q in ("global_irradiance", *_PARTS)]
    if any(c is None for c in found):
        return None
    whole, direct, diffuse = (c for c in found if c is not None)
    hours, loss, miss = {"near": (2.5, 0.3, 0.0), "typical": (5.0, 0.8, 0.3), "gross": (12.0, 0.95, 0.2)}[grade]
    row = onset_row(case, rng)
    days, day = np.unique(case.solar_day, return_inverse=True)
    start = (rng.uniform(7.0, 13.0, len(days)) if hours < 12.0 else np.full(len(days), 4.0))[day]
    length = (hours * rng.uniform(0.6, 1.4, len(days)) if hours < 12.0 else np.full(len(days), 16.0))[day]
    away = (np.arange(case.rows) >= row) & (case.solar_hour >= start) & (case.solar_hour < start + length)
    beam = case.values(direct)
    mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
    values = {
        direct.name: np.where(away, beam * (1.0 - loss), beam),
        diffuse.name: case.values(diffuse) + np.where(away, miss * np.clip(beam, 0.0, None) * mu, 0.0),
    }
    total = values[direct.name] * mu + values[diffuse.name]
    g = case.values(whole)
    judged = (case.elevation > case.limit(ID, "elevation")) & (total > case.limit(ID, "sum")) & np.isfinite(g)
    judged &= np.arange(case.rows) >= row
    broken = judged & (np.abs(g / np.where(judged, total, 1.0) - 1.0) > case.limit(ID, "closure"))
    changed = broken & away & (beam > 50.0)
    if len(np.unique(case.solar_day[changed])) < 3:
        return None
    share, ratio = float(broken.sum() / judged.sum()), float(np.median(g[broken] / total[broken]))
    at = np.flatnonzero(changed)
    evidence = {"share": share, "ratio": ratio}
    return Injection((direct.name, diffuse.name), case.time[at[0]], case.time[at[-1]], evidence, values)


def picture(case: Case, suspect: Suspect) -> Figure:
    """Ratio of global to direct and diffuse over time, with the band of closure."""
    from qc.write import page
    from qc.write import picture as house

    ratio, broken = np.asarray(suspect.exhibit["ratio"]), np.asarray(suspect.exhibit["broken"])
    drawn, axes = house.framed(3.0, top=0.55)
    bound = case.limit(ID, "closure")
    axes.axhspan(1.0 - bound, 1.0 + bound, color=house.NIGHT, label=f"closure within {bound:.0%}")
    shown = np.clip(ratio, 0.4, 2.0)
    at = house.days(case.time)
    for mask, color, size, told in (
        (~broken & np.isfinite(ratio), house.SOFT, 1.5, "global over direct and diffuse"),
        (broken & np.isfinite(ratio), page.COLOURS[3], 2.0, "breaks it"),
    ):
        rows = np.flatnonzero(mask)[:: max(1, int(mask.sum()) // 6000)]
        axes.plot(at[rows], shown[rows], ".", color=color, markersize=size, label=told)
    days = np.unique(case.solar_day[np.isfinite(ratio)])
    medians = [
        float(np.median(ratio[(case.solar_day == d) & np.isfinite(ratio)])) for d in days[:: len(days) // 400 + 1]
    ]
    axes.plot(days[:: len(days) // 400 + 1] + 0.5, np.clip(medians, 0.4, 2.0), color=house.INK, label="median of a day")
    axes.set_ylim(0.4, 2.0)
    axes.set_ylabel("ratio (cut at 0.4 and 2)")
    house.time_axis(axes, case.first, case.last, clock=case.logger_clock)
    house.visits(axes, [(v.start, v.end, v.note) for name in suspect.channels for v in case.visits(name)])
    house.legend(drawn, axes)
    return drawn


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(("global_irradiance",), ("direct_irradiance",), ("diffuse_irradiance",)),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("share", "ratio"),
    go="next-visit",
    rivals={
        "pyranometer-scale": "one factor at all hours: the sensitivity of each sensor against its certificate",
        "pyranometer-tilted": "an error that follows the sun's azimuth: the level of the global sensor",
        "pyranometer-shaded": "global drops at one azimuth while direct and diffuse go on",
        "pyranometer-covered": "global drops in the morning while direct and diffuse go on",
    },
    visits=("disturbed", "moved", "replaced", "clock"),
)
