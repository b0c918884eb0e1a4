"""The ratio of an irradiance to what it is measured beside, day by day: shared by the tests of constants and of a
pyranometer's factor.

A step of a sensor's factor and of its constants is the same data. Both tests go by one judgement, so that which of them
speaks does not change from night to night. Its numbers are those of `constants-wrong`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Outcome, Suspect, Untested
from qc.firstlight import PAR_OF_GLOBAL
from qc.mends import Mend
from qc.physics import blocks, onset
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "constants-wrong"
_LOG = "sensor or program"
"""The clue that tells constants from the sensor's own factor: the log."""


class Ratio(NamedTuple):
    """Median ratio of each day, of its mornings and afternoons, and the highest clearness of each; ln."""

    days: np.ndarray
    whole: Floats
    morning: Floats
    afternoon: Floats
    bright: Floats


def partner(case: Case, channel: Channel) -> tuple[Floats, str] | None:
    """What the channel must keep a ratio to, W/m2, and its name."""
    scale = PAR_OF_GLOBAL if channel.quantity == "par" else 1.0
    twins = [c for c in case.of(channel.quantity) if c is not channel]
    if twins:
        return case.values(twins[0]), twins[0].name
    direct, diffuse = case.mate("direct_irradiance"), case.mate("diffuse_irradiance")
    mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
    if channel.quantity == "global_irradiance" and direct is not None and diffuse is not None:
        return case.values(direct) * mu + case.values(diffuse), f"{direct.name} and {diffuse.name}"
    other = case.mate("par" if channel.quantity == "global_irradiance" else "global_irradiance")
    if other is not None and channel.quantity in ("global_irradiance", "par"):
        return case.values(other) * (scale / (PAR_OF_GLOBAL if other.quantity == "par" else 1.0)), other.name
    return None


def of(case: Case, channel: Channel, partner: Floats | None) -> Ratio:
    scale = PAR_OF_GLOBAL if channel.quantity == "par" else 1.0
    x = case.values(channel) / scale
    high = case.elevation > (case.limit(ID, "elevation") if partner is None else _least(case))
    with np.errstate(invalid="ignore", divide="ignore"):
        clearness = np.where(high, x / np.maximum(case.clear.ghi, 1.0), np.nan)
        base = clearness if partner is None else np.where(high & (partner > 40.0), x * scale / partner, np.nan)
        logs = np.where(base > 1e-3, np.log(np.maximum(base, 1e-3)), np.nan)
    day = case.solar_day
    days, whole, count = blocks.medians(logs, day)
    noon = case.solar_hour < 12.0
    parts = []
    for side in (noon, ~noon):
        d, m, _ = blocks.medians(np.where(side, logs, np.nan), day)
        parts.append(np.asarray(blocks.spread_out(m, d, days, np.nan), float))
    bright = np.full(len(days), np.nan)
    rows = np.flatnonzero(np.isfinite(clearness))
    if len(rows):
        b, first = np.unique(day[rows], return_index=True)
        top = np.log(np.maximum(np.maximum.reduceat(clearness[rows], first), 1e-3))
        bright = np.asarray(blocks.spread_out(top, b, days, np.nan), float)
    enough = count * case.interval_s >= 2.0 * 3600.0
    return Ratio(days[enough], whole[enough], parts[0][enough], parts[1][enough], bright[enough])


def _least(case: Case) -> float:
    """The sun's elevation above which a ratio to what is beside it is taken, degrees: lower where it seldom comes
    higher. Where it does, an offset weighs less there."""

    def days(least: float) -> int:
        _, count = np.unique(case.solar_day[case.elevation > least], return_counts=True)
        return int((count * case.interval_s >= 2.0 * 3600.0).sum())

    usual, low = case.limit(ID, "elevation"), case.limit(ID, "elevation-beside")
    return case.once("ratios;least", lambda: usual if days(usual) >= 0.9 * days(low) else low)


def outcomes(case: Case) -> list[Outcome]:
    """What the ratios say of the constants of global irradiance and PAR: each against its partner, the one blamed whose
    own brightness changed, or that another witness blames too."""
    return case.once("ratios", lambda: _judged(case))


def of_sensor(case: Case, channel: Channel) -> tuple[Suspect, tuple[Clue, ...], str] | None:
    """What the ratio says of a channel that has something beside it: a suspect of `constants-wrong`, the clues that
    hold for the sensor's own factor alike, and the note of a visit that can have caused it; None where it is sound, or
    where neither a second witness nor its own brightness shows that the step is not its partner's."""
    for one in outcomes(case):
        if isinstance(one, Suspect) and one.channels == (channel.name,) and one.exhibit["sure"]:
            return one, tuple(c for c in one.clues if c.name != _LOG), one.exhibit["handled"]
    return None


def _judged(case: Case) -> list[Outcome]:
    able = [c for c in case.of("global_irradiance", "par") if np.isfinite(case.values(c)).any()]
    found = [(c, _factor(case, c)) for c in able]
    suspects = [(c, o) for c, o in found if isinstance(o, Suspect)]
    if len(suspects) > 1:  # the same step seen from both sides: the likelier one stands
        best = max(suspects, key=lambda f: (f[1].exhibit["witnesses"], f[1].exhibit["own"], f[1].log_odds))
        other = next((o for c, o in suspects if c is not best[0] and c.quantity == "global_irradiance"), None)
        if other is not None and best[0].quantity == "par":  # then the pyranometer's own factor may have changed
            seen = replace(best[1], rivals={**best[1].rivals, **other.rivals})
            found = [(c, seen if o is best[1] else o) for c, o in found]
            best = (best[0], seen)
        return [o if not isinstance(o, Suspect) or o is best[1] else _second(c, o, best[0]) for c, o in found]
    return [o for _, o in found]


def _witness(case: Case, channel: Channel, partner: str, ratio: Ratio, change: onset.Change) -> str:
    """The name of a second one beside which global irradiance steps alike and on the same day; empty for none. Two
    that agree with each other are not both wrong. A step within what sound levels differ by an offset may make."""
    other = case.mate("par")
    if abs(change.after - change.before) < case.limit(ID, "level"):
        return ""
    if channel.quantity != "global_irradiance" or other is None or other.name == partner:
        return ""
    seen = of(case, channel, case.values(other) / PAR_OF_GLOBAL)
    step = onset.step(seen.whole, least=round(case.limit(ID, "ratio-days")))
    if step is None or abs(int(seen.days[step.at]) - int(ratio.days[change.at])) > 1:
        return ""
    alike = 0.6 < (step.after - step.before) / (change.after - change.before) < 1.6
    return other.name if alike else ""


def _second(channel: Channel, suspect: Suspect, blamed: Channel) -> Outcome:
    return Cleared((channel.name,), f"the step of its ratio to {blamed.name} is in {blamed.name}")


def _factor(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    beside = partner(case, channel)
    ratio = of(case, channel, beside[0] if beside else None)
    series = ratio.whole if beside else ratio.bright
    side = round(case.limit(ID, "ratio-days")) if beside else 8
    n = len(series)
    if n < 2 * side:
        when = case.first + np.timedelta64(2 * side + 1, "D")
        return Untested(names, f"has {n} days of light, needs {2 * side}", f"{str(when)[:19]}Z")
    change = onset.step(series, least=side)
    if change is None:
        return Cleared(names, "its ratio has no step")
    size = change.after - change.before
    rest = series.copy()
    rest[: change.at] -= change.before
    rest[change.at :] -= change.after
    noise = max(1.4826 * float(np.nanmedian(np.abs(rest))), 0.004)
    near = _middle(series[change.at : change.at + side]) - _middle(series[max(0, change.at - side) : change.at])
    least = case.limit(ID, "factor" if beside else "factor-alone")
    told = f"{np.exp(size):.3f}"
    if abs(size) < least or abs(size) < 4.0 * noise or not 0.6 < near / size < 1.6:
        return Cleared(
            names,
            f"largest step of its ratio {told}, scatter {noise:.1%}, {least:.0%} and 4 times the scatter are asked for",
        )
    halves = [
        _middle(h[change.at : change.at + 10]) - _middle(h[max(0, change.at - 10) : change.at])
        for h in (ratio.morning, ratio.afternoon)
    ]
    odd = float(np.max([abs(h - size) for h in halves])) / abs(size)  # NaN where a half has none
    stretch = _stretch(case, series, change, beside is not None)
    wrong = 1.0 if stretch[0] == change.at else -1.0  # before the step: what is told of it is turned round
    low, high = (0, stretch[1]) if wrong > 0 else (stretch[0], n)  # of days beyond its other end nothing is known
    tops = [_top(ratio.bright[max(low, change.at - 20) : change.at])]
    tops += [_top(ratio.bright[change.at : min(high, change.at + 20)])]
    own = _middle(tops[1]) - _middle(tops[0])
    vague = 0.08 + sum(1.4826 * _middle(np.abs(t - _middle(t))) / np.sqrt(len(t)) for t in tops)
    mine = abs(own - size) / max(abs(size), 2.0 * vague)
    second = _witness(case, channel, beside[1], ratio, change) if beside else ""
    if beside and not second and own * np.sign(size) < 0.3 * abs(size) - 2.0 * vague:
        return Cleared(
            names,
            f"its ratio to {beside[1]} has a step of {told}, its own brightest hours have one of {np.exp(own):.2f}",
        )
    shown = own * np.sign(size) > 0.5 * abs(size) > vague
    sure = beside is not None and (bool(second) or bool(shown))
    count = min(change.at, n - change.at)
    clues = [
        Clue("size", 1.0 + 2.0 * np.log(abs(size) / least), f"by a factor of {np.exp(wrong * size):.3f}"),
        Clue(
            "sharp",
            2.0 * np.log(abs(size) / (4.0 * noise)) if np.isfinite(odd) else 0.0,
            f"days scatter by {noise:.1%}",
        ),
        Clue(
            "shape",
            2.0 - 6.0 * odd if np.isfinite(odd) else -1.0,
            ", ".join(
                f"{name} by {np.exp(wrong * half):.3f}" if np.isfinite(half) else f"no {name} to compare"
                for name, half in zip(("mornings", "afternoons"), halves, strict=True)
            ),
        ),
        Clue("days", min(np.log(count / side) + 0.5, 1.5), f"{change.at} days before the step, {n - change.at} after"),
        Clue("own", 2.0, f"it steps alike against {second}")
        if second
        else Clue(
            "own",
            max(2.0 - 3.0 * mine, -1.5) if beside else -1.0,
            f"its own brightest hours changed by {np.exp(wrong * own):.2f}",
        ),
    ]
    rows, last = _bounds(case, channel, beside[0] if beside else None, ratio.days, change, stretch)
    rivals, handled = {}, ""
    if channel.quantity == "global_irradiance":  # the same data for the sensor's own factor: the log has to tell
        clues = [c for c in clues if c.name != "size"]  # it lies in `sharp`; the sensor's own test counts it once too
        apart = case.limit(ID, "sensor-first")
        rivals = {"pyranometer-scale": sum(c.weight for c in clues)}
        handled = _handled(case, channel, rows)
        said = f"the log has a visit: {handled}" if handled else "no exchange and no new program in the log"
        clues.append(Clue(_LOG, 0.0 if handled else -apart, said))
    against = beside[1] if beside else "a clear sky"
    close = [series[max(low, change.at - 10) : change.at], series[change.at : min(high, change.at + 10)]]
    begun, ended = stretch[0] > 0, stretch[1] < n
    factor = float(np.exp(wrong * (_middle(close[1]) - _middle(close[0]))))
    since = f"from {str(rows[1])[:10]} on" if begun else "from the first row on"
    until = f" until {str(last)[:10]}" if ended else ""
    usual = "does otherwise" if ended else "did"
    return Suspect(
        names,
        tuple(clues),
        {"factor": round(factor, 4), "offset": 0.0, "onset": f"{str(rows[1])[:19]}Z"},
        f"{channel.name} reads {factor:.3f} times what it {usual} against {against} {since}{until} "
        f"({stretch[1] - stretch[0]} days, {n - stretch[1] + stretch[0]} others), at all hours alike.",
        rows[1],
        last,
        rows,
        device=case.device(channel),
        rivals=rivals,
        mend=Mend(
            "scale", names, rows[1], last if ended else None, round(1.0 / factor, 5),
            uncertainty=noise / np.sqrt(max(count, 1)), proposed=beside is not None,
        ),
        exhibit={
            "kind": "factor", "own": -mine, "witnesses": bool(second), "days": ratio.days, "series": series,
            "stretch": stretch, "sure": sure, "handled": handled,
        },
    )  # fmt: skip


def _stretch(case: Case, series: Floats, change: onset.Change, beside: bool) -> tuple[int, int]:
    """Days on which the factor is wrong, from one to another (left out): after the step, or before it.

    What it is measured beside gives the level itself, not only the step: where the days after the step stand at one
    and those before far off, the step is the mend. It goes on for as long as days lie nearer to the wrong level than
    to the other; a single day the other way does not end it.
    """
    n, level = len(series), case.limit(ID, "level")
    mend = beside and abs(change.after) < level and abs(change.before) > 2.0 * level
    wrong, sound = (change.before, change.after) if mend else (change.after, change.before)
    odd = np.abs(series - wrong) < np.abs(series - sound)
    if mend:
        sound_days = np.flatnonzero(~odd[: change.at - 1] & ~odd[1 : change.at])
        return (int(sound_days[-1]) + 2 if len(sound_days) else 0), change.at
    if not beside:
        return change.at, n
    sound_days = change.at + np.flatnonzero(~odd[change.at : n - 1] & ~odd[change.at + 1 :])
    return change.at, (int(sound_days[0]) if len(sound_days) else n)


def _bounds(
    case: Case, channel: Channel, partner: Floats | None, days: np.ndarray, change: onset.Change,
    stretch: tuple[int, int],
) -> tuple[tuple[np.datetime64, np.datetime64], np.datetime64]:  # fmt: skip
    """Between which two rows it began, and the last row that shows it."""
    first, stop = stretch
    levels = (change.before, change.after) if first == change.at else (change.after, change.before)
    last = case.last
    if stop < len(days):
        last = _when(case, channel, partner, levels[::-1], (int(days[stop - 1]), int(days[stop])), 0)[0]
    if not first:
        return (case.first, case.first), last
    early = int(days[max(change.earliest - 1, 0)])
    return _when(case, channel, partner, levels, (int(days[first - 1]), int(days[first])), early), last


def _handled(case: Case, channel: Channel, between: tuple[np.datetime64, np.datetime64]) -> str:
    """The note of a visit within a day of the step at which a sensor or a program was exchanged; empty for none."""
    day = np.timedelta64(1, "D")
    visits = case.visits(channel.name, ("replaced", "note"))
    near = [v for v in visits if v.start - day <= between[1] and v.end + day >= between[0]]
    return (near[0].note or near[0].effect)[:60] if near else ""


def _middle(x: Floats) -> float:
    """The median of what is there; NaN where nothing is."""
    there = x[np.isfinite(x)]
    return float(np.median(there)) if len(there) else np.nan


def _top(bright: Floats) -> Floats:
    """The brighter half of some days: clouds only take away."""
    there = bright[np.isfinite(bright)]
    return there[there >= np.median(there)] if len(there) else np.array([np.nan])


def _when(
    case: Case, channel: Channel, partner: Floats | None, levels: tuple[float, float], between: tuple[int, int],
    earliest: int,
) -> tuple[np.datetime64, np.datetime64]:  # fmt: skip
    """Between the last rows at the old ratio and the first at the new one, on two days; without a partner, between the
    earliest day and the later one."""
    before, after = levels
    span = np.flatnonzero((case.solar_day >= between[0]) & (case.solar_day <= between[1]))
    if partner is None:
        return case.time[np.flatnonzero(case.solar_day == earliest)[-1]], case.time[
            np.flatnonzero(case.solar_day == between[1])[0]
        ]
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.maximum(case.values(channel)[span] / np.maximum(partner[span], 1e-3), 1e-3))
    lit = (case.elevation[span] > 5.0) & (partner[span] > 20.0) & np.isfinite(logs)
    gain = np.where(
        lit, np.clip(np.abs(logs - before) - np.abs(logs - after), -abs(after - before), abs(after - before)), 0.0
    )
    behind = np.cumsum(gain[::-1])[::-1]
    good = np.flatnonzero(behind >= behind.max() - 3.0 * abs(after - before))
    return case.time[span[max(good[0] - 1, 0)]], case.time[span[good[-1]]]


def picture(case: Case, suspect: Suspect) -> Figure:
    """The ratio by day, with the levels in and out of the stretch."""
    from qc.write import picture as house

    figure = house.figure(2.9)
    axes = figure.subplots()
    days, series, (first, stop) = (suspect.exhibit[k] for k in ("days", "series", "stretch"))
    when, ratio = house.days(np.asarray(days).astype("datetime64[D]")), np.exp(np.asarray(series))
    odd = (np.arange(len(when)) >= first) & (np.arange(len(when)) < stop)
    axes.plot(when[~odd], ratio[~odd], "o", markersize=3, color=house.SOFT, label="other days")
    axes.plot(when[odd], ratio[odd], "o", markersize=3, color=house.SERIES[1], label="with the factor")
    for part in (slice(None, first), slice(first, stop), slice(stop, None)):
        if len(when[part]):
            level = np.full(len(when[part]), np.nanmedian(ratio[part]))
            axes.plot(when[part], level, color=house.INK, linewidth=0.9)
    axes.set_ylabel(f"ratio of {house.label(suspect.channels[0], 16)} by day")
    house.time_axis(axes, case.first, case.last)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(suspect.channels[0])])
    house.legend(figure, axes)
    return figure
