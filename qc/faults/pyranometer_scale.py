"""Pyranometer with a wrong factor.

Shows: from one day on the irradiance is too high or too low by one and the same factor, morning and afternoon, clear
    days and cloudy ones; or it is so from the start, far from what any clear sky gives.
Happened: the sensitivity of another sensor stands in the logger's program, a shunt or a gain was changed, or the sensor
    was hurt or exchanged.
How sure: haze moves clear days by five per cent and more, so that one station alone never proves a lasting error below
    ten per cent; a step is seen from three per cent on with eight clear half-days on either side, a smaller one only
    beside another sensor.
Check: compare the sensitivity in the logger's program with the certificate and the serial number of the sensor that
    hangs there; compare with a second pyranometer side by side for one clear hour; look at level, dome and desiccant;
    measure the shunt or the input's gain; read the visit log around the day of the step.
Carry: calibration certificates, second pyranometer with its own reading, multimeter, level, spare desiccant.
Caution: work on roofs and masts with fall protection and two people, never in lightning, ice or high wind, never near
    power lines.
Data: a line `scale` of the correction log brings the values back where the factor is well determined; before that, do
    not use sums; the certificate's own ratio is better than any estimate from the data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from qc import ratios
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.mends import Mend
from qc.physics import levels, onset
from qc.physics.half_days import half_days
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "pyranometer-scale"
QUANTITIES = ("global_irradiance",)
_ENVELOPE = 0.8  # quantile of days that makes the envelope of a stretch
_MOST = 30  # days of a stretch
_NEAR = 10  # days and half-days of a stretch, where each is worth more than weather


@dataclass(frozen=True)
class Series:
    """Levels of one channel: by day, of its brightest moments, by its mornings and afternoons, by clear half-day, and
    against companions."""

    days: levels.Levels
    tops: levels.Levels
    halves: tuple[levels.Levels, levels.Levels]
    clear: levels.Levels
    beside: dict[str, levels.Levels]


@dataclass(frozen=True)
class Candidate:
    """A step or a lasting level, with what speaks for it. `day` is None for a level that was always there; `between`
    are the days between which it stepped."""

    day: int | None
    between: tuple[int, int]
    size: float
    error: float
    clues: tuple[Clue, ...]

    @property
    def weight(self) -> float:
        """Sum of its clues."""
        return sum(c.weight for c in self.clues)


def test(case: Case) -> Sequence[Outcome]:
    """Steps of the level over a clear sky's, and levels that no sky gives."""
    return [_one(case, channel) for channel in case.of(*QUANTITIES)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    beside = _by_ratio(case, channel)
    if beside is not None:
        return beside
    found = series(case, channel)
    number = len(found.days.day)
    need = case.limit(ID, "days")
    if number < need:
        high = case.limit(ID, "elevation")
        why = f"has {number} days with the sun above {high:.0f} degrees for three hours, needs {need:.0f}"
        return Untested(names, why, f"{need:.0f} days with the sun above {high:.0f} degrees")
    level = float(np.exp(levels.envelope(found.days.value, _ENVELOPE)))
    candidates = [c for c in _steps(case, found) if c is not None]
    best = max(candidates, key=lambda c: c.weight, default=None)
    if best is None or best.weight < 3.0:  # a step explains an odd level, not the other way round
        best = max((*candidates, _always(case, found)), key=lambda c: c.weight)
    if best.weight <= 0.0:
        told = f"its days reach {level:.2f} of a usual clear sky's"
        if best.day is not None:
            told += f"; the largest step is {100 * np.expm1(best.size):+.0f} %, {best.clues[0].said}"
        return Cleared(names, told)
    factor = float(np.exp(best.size))
    sure = best.weight > -case.limit(ID, "prior")
    if sure and not case.limit(ID, "least") < factor < case.limit(ID, "most"):
        return Untested(names, f"a factor of {factor:.3g} is that of a unit, not of a sensor", "the unit is settled")
    return _suspect(case, channel, found, best)


def _by_ratio(case: Case, channel: Channel) -> Suspect | None:
    """A step of its ratio to what it is measured beside, where that alone decides: the same data as wrong constants, so
    the log tells which of the two comes first."""
    found = ratios.of_sensor(case, channel)
    if found is None:
        return None
    one, shared, handled = found
    factor = one.evidence["factor"]
    if not case.limit(ID, "least") < factor < case.limit(ID, "most"):
        return None
    said = f"the log has a visit: {handled}" if handled else "no exchange and no new program in the log"
    clues = (*shared, Clue("sensor or program", case.limit(ID, "visited") if handled else 0.0, said))
    weight = sum(c.weight for c in clues)
    if weight <= -case.limit(ID, "prior"):
        return None
    program = case.limit(ID, "constants-visited" if handled else "constants")
    return replace(
        one, clues=clues, evidence={"factor": round(factor, 3)}, rivals={"constants-wrong": weight + program}
    )


# ---- series


def series(case: Case, channel: Channel) -> Series:
    """The levels that the test goes by."""

    def make() -> Series:
        values = case.values(channel)
        high = case.elevation > case.limit(ID, "elevation")
        ratio = values / np.maximum(case.clear.ghi, 1.0)
        least = max(3, round(3 * 3600 / max(case.interval_s, 1.0)))
        morning = case.solar_hour < 12.0
        by_day = [
            levels.daily(ratio, case.solar_day, high & part, share=0.85, least=least // n)
            for part, n in ((np.ones(case.rows, bool), 1), (morning, 3), (~morning, 3))
        ]
        half = half_days(
            values, case.clear.ghi, case.elevation, case.solar_day, ~morning, case.consecutive, case.interval_s
        )
        good = half.clear(rough=0.1, low=0.05, high=8.0) & (half.spread < 0.08)
        good &= half.peak > case.limit(ID, "elevation")
        clear = levels.Levels(half.day[good], np.log(half.ratio[good]))
        beside = {
            name: levels.daily(np.where(sun, values / np.where(sun, other, 1.0), np.nan), case.solar_day, high,
                               share=0.5, least=max(2, least // 3))
            for name, other, sun in _companions(case, channel)
        }  # fmt: skip
        tops = levels.daily(ratio, case.solar_day, high, share=0.98, least=least)
        return Series(by_day[0], tops, (by_day[1], by_day[2]), clear, beside)

    return case.once(f"levels;{channel.name}", make)


def _companions(case: Case, channel: Channel) -> list[tuple[str, Floats, Bools]]:
    """What sees the same sun: name, values, and where they are bright enough to compare."""
    out = []
    for other in case.of("global_irradiance", "par"):
        if other.name != channel.name:
            bright = 200.0 if other.quantity == "par" else 100.0
            out.append((other.name, case.values(other), bright))
    direct, diffuse = case.mate("direct_irradiance"), case.mate("diffuse_irradiance")
    if direct is not None and diffuse is not None:
        mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
        total = case.values(direct) * mu + case.values(diffuse)
        out.append((f"{direct.name} and {diffuse.name}", total, 100.0))
    return [(name, v, np.isfinite(v) & (np.nan_to_num(v) > bright)) for name, v, bright in out]


# ---- candidates


def _steps(case: Case, found: Series) -> list[Candidate | None]:
    """Every series proposes a day; all series judge it."""
    days = set()
    need = int(case.limit(ID, "half_days"))
    for one, share, floor in ((found.days, _ENVELOPE, "day_error"), (found.clear, 0.5, "clear_error")):
        step = levels.step(one, share=share, least=need, most=_MOST, floor=case.limit(ID, floor))
        if step is not None:
            days.add(int(one.day[step.at]))
    for one in found.beside.values():
        step = levels.step(one, share=0.5, least=need, most=_NEAR, floor=case.limit(ID, "beside_error"))
        if step is not None:
            days.add(int(one.day[step.at]))
    return [_judged(case, found, *_placed(found, day)) for day in sorted(days)]


def _placed(found: Series, day: int) -> tuple[int, tuple[int, int]]:
    """The first day after the step, and the days between which it lies: by the steadiest series beside it, else by
    the days themselves."""
    best: tuple[float, int, tuple[int, int]] | None = None
    for one in found.beside.values():
        here = np.flatnonzero(np.abs(one.day - day) <= 25)
        change = onset.step(one.value[here], least=3) if len(here) >= 6 else None
        if change is not None and (best is None or change.gain > best[0]):
            known = one.day[here]
            low, high = known[max(0, change.earliest - 1)], known[min(change.latest, len(known) - 1)]
            best = (change.gain, int(known[change.at]), (int(low), int(high)))
    if best is not None and best[0] > 5.0:
        return best[1], best[2]
    here = np.flatnonzero(np.abs(found.days.day - day) <= 25)
    known, x = found.days.day[here], found.days.value[here]
    change = onset.step(x, least=3) if len(here) >= 6 else None
    if change is None:
        return day, (day - 1, day)
    before, after = levels.envelope(x[: change.at], _ENVELOPE), levels.envelope(x[change.at :], _ENVELOPE)
    bright = np.flatnonzero(x > 0.5 * (before + after))
    # clouds lower a level and never raise it: only bright days are sure to stand on the upper side of a step
    if after > before:
        sure = bright[bright >= change.at - 10]
        first = int(sure[0]) if len(sure) else change.at
        clean = np.flatnonzero(x[:first] > before - 0.15)
        return int(known[first]), (int(known[clean[-1]]) if len(clean) else int(known[0]) - 1, int(known[first]))
    sure = bright[bright < change.at + 10]
    last = int(sure[-1]) if len(sure) else max(change.at - 1, 0)
    clean = last + 1 + np.flatnonzero(x[last + 1 :] > after - 0.15)
    end = int(known[clean[0]]) if len(clean) else int(known[-1])
    return int(known[min(last + 1, len(known) - 1)]), (int(known[last]), end)


def _judged(case: Case, found: Series, day: int, between: tuple[int, int]) -> Candidate | None:
    size, first, last = levels.compared(found.days, day, share=_ENVELOPE, most=_MOST)
    need = int(case.limit(ID, "half_days"))
    if min(first, last) < need:
        return None
    whole = levels.step(found.days, share=_ENVELOPE, least=need, most=_MOST, floor=case.limit(ID, "day_error"))
    error = whole.error if whole is not None else case.limit(ID, "day_error")
    clear, before, after = levels.compared(found.clear, day, share=0.5, most=_NEAR)
    has_clear = min(before, after) >= 5
    clear_error = max(case.limit(ID, "clear_error"), 0.03 * float(np.sqrt(1 / max(before, 1) + 1 / max(after, 1))))
    best, best_error = (clear, clear_error) if has_clear else (size, error)
    sign = np.sign(best)
    z = float(sign * size / error)
    told = f"the envelope of days steps by {100 * np.expm1(size):+.0f} +- {100 * error:.0f} %"
    clues = [Clue("days", (0.4 if has_clear else 1.0) * float(np.interp(z, [2, 3, 4.5, 7], [-3, 0.5, 3, 4])), told)]
    if has_clear:
        told = f"clear half-days step by {100 * np.expm1(clear):+.1f} +- {100 * clear_error:.1f} % ({before}, {after})"
        clues.insert(
            0, Clue("clear half-days", float(np.interp(abs(clear) / clear_error, [2, 4, 7], [-3, 1, 4])), told)
        )
    beside = _beside(case, found, day, best, best_error)
    if beside is not None:
        clues.append(beside[1])
        if beside[1].weight > 0 and beside[0][1] < best_error:
            best, best_error = beside[0]
    clues += _lasting(found, day, best)
    if abs(best) < np.log1p(case.limit(ID, "smallest")):
        return None
    return Candidate(day, between, float(best), float(best_error), tuple(clues))


def _beside(
    case: Case, found: Series, day: int, own: float, own_error: float
) -> tuple[tuple[float, float], Clue] | None:
    """What companions say: a step against them that the own level shows too is this sensor's; no step is weather."""
    said = []
    for name, one in found.beside.items():
        size, before, after = levels.compared(one, day, share=0.5, most=_NEAR)
        if min(before, after) < 5 or _unsteady(one, day) > case.limit(ID, "unsteady"):
            continue
        floor = case.limit(ID, "beside_error")
        own_step = levels.step(one, share=0.5, least=5, most=_NEAR, floor=floor)
        error = floor if own_step is None else own_step.error
        spread = float(np.hypot(own_error, error))
        odds = (own**2 - (own - size) ** 2) / (2.0 * spread**2)
        if abs(size) < 2.0 * error:  # no step against it
            odds = -abs(own) / spread
        told = f"against {name} it steps by {100 * np.expm1(size):+.1f} +- {100 * error:.1f} %"
        said.append((error, (size, error), Clue("beside another sensor", float(np.clip(odds, -4.0, 4.0)), told)))
    if not said:
        return None
    _, size_error, clue = min(said, key=lambda s: s[0])
    return size_error, clue


def _unsteady(one: levels.Levels, day: int) -> float:
    """How far the days before and after a step lie from their own medians, as the larger median deviation. [ln]"""
    k = int(np.searchsorted(one.day, day))
    parts = (one.value[max(0, k - _NEAR) : k], one.value[k : k + _NEAR])
    return max(float(np.median(np.abs(p - np.median(p)))) for p in parts)


def _lasting(found: Series, day: int, size: float) -> list[Clue]:
    """A factor stays, and holds for mornings and afternoons."""
    clues = []
    k = int(np.searchsorted(found.days.day, day))
    x = found.days.value
    later, earlier = x[k + _MOST : k + 2 * _MOST], x[max(0, k - 2 * _MOST) : max(0, k - _MOST)]
    far = []
    if len(later) >= 8:
        far.append(levels.envelope(later, _ENVELOPE) - levels.envelope(x[max(0, k - _MOST) : k], _ENVELOPE))
    if len(earlier) >= 8:
        far.append(levels.envelope(x[k : k + _MOST], _ENVELOPE) - levels.envelope(earlier, _ENVELOPE))
    if far:
        share = float(min(f / size for f in far)) if size else 0.0
        told = f"{100 * share:.0f} % of it stand between farther weeks too"
        clues.append(Clue("lasts", float(np.interp(share, [0.3, 0.7, 0.9], [-3.0, 0.5, 1.5])), told))
    top, before, after = levels.compared(found.tops, day, share=0.95, most=_MOST)
    if min(before, after) >= 8 and size:  # dull weeks have bright moments too, and they are as bright as ever
        told = f"the brightest moments step by {100 * np.expm1(top):+.0f} %"
        clues.append(Clue("bright moments", float(np.interp(top / size, [0.3, 0.6, 0.85], [-4.0, 0.0, 1.0])), told))
    both = [levels.compared(h, day, share=_ENVELOPE, most=_MOST) for h in found.halves]
    if all(min(b[1], b[2]) >= 8 for b in both):
        differ = abs(both[0][0] - both[1][0])
        told = f"mornings and afternoons differ by {100 * differ:.0f} %"
        clues.append(
            Clue("both halves", float(np.interp(differ / max(abs(size), 0.05), [0.3, 0.8, 1.5], [1, -1, -4])), told)
        )
    return clues


def _always(case: Case, found: Series) -> Candidate:
    """A level that no clear sky gives, from the first day to the last."""
    x = found.days.value
    level = levels.envelope(x, _ENVELOPE)
    usual = np.log(case.limit(ID, "usual"))
    above = level - np.log(case.limit(ID, "highest"))
    below = np.log(case.limit(ID, "lowest")) - level
    beyond = max(above, below)
    told = f"its days reach {np.exp(level):.2f} of a usual clear sky's"
    clues = [Clue("level", float(np.interp(beyond, [-0.05, 0.05, 0.25], [-3.0, 0.5, 4.0])), told)]
    spread = 1.48 * float(np.median(np.abs(x - np.median(x))))
    clues.append(Clue("number", min(2.0, len(x) / 15.0), f"{len(x)} days"))
    near = int((np.abs(found.clear.value - level) < 0.1).sum())
    if below > above:  # clouds and haze lower a level, nothing raises it
        told = f"{near} half-days as smooth as clear ones stand there"
        clues.append(Clue("smooth", float(np.interp(near, [0, 4, 10], [-4.0, 1.0, 3.0])), told))
    else:
        clues.append(Clue("steady", float(np.interp(spread, [0.05, 0.4], [1.0, 0.0])), f"days scatter by {spread:.0%}"))
    return Candidate(None, (0, 0), float(level - usual), 0.07, tuple(clues))


def _suspect(case: Case, channel: Channel, found: Series, best: Candidate) -> Suspect:
    names = (channel.name,)
    rows = np.flatnonzero(np.isfinite(case.values(channel)))
    factor = float(np.exp(best.size))
    begin, before = case.time[rows[0]], case.first
    lit = np.isfinite(case.values(channel)) & (case.elevation > 0.0)
    if best.day is not None:
        begin = case.time[np.flatnonzero(lit & (case.solar_day >= best.day))[0]]
        low, high = best.between
        before = case.time[np.flatnonzero(lit & (case.solar_day <= low))[-1]]
        latest = case.time[np.flatnonzero(lit & (case.solar_day <= high))[-1]]
    sure = best.day is not None and best.error < case.limit(ID, "proposed") * abs(best.size)
    since = "from the start" if best.day is None else f"since {str(begin)[:10]}"
    return Suspect(
        names,
        best.clues,
        {"factor": round(factor, 3)},
        f"{channel.name} reads {factor:.2f} +- {factor * best.error:.2f} times what it should {since}: "
        f"{best.clues[0].said}.",
        begin,
        case.time[rows[-1]],
        (before, latest) if best.day is not None else (case.first, case.first),
        device=case.device(channel),
        rivals={"constants-wrong": sum(c.weight for c in best.clues) + _program(case, channel, begin, before)}
        if best.day is not None
        else {},
        mend=Mend(
            "scale", names, begin, None, round(1.0 / factor, 4), uncertainty=best.error / factor, proposed=bool(sure)
        ),
        exhibit={"series": found, "day": best.day},
    )


def _program(case: Case, channel: Channel, begin: np.datetime64, before: np.datetime64) -> float:
    """How much likelier than the sensor its constants in the program are, ln odds: by the log alone."""
    day = np.timedelta64(1, "D")
    visits = case.visits(channel.name, ("replaced", "note"))
    handled = any(v.start - day <= begin and v.end + day >= before for v in visits)
    return case.limit(ID, "constants-visited" if handled else "constants")


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Another sensitivity from a random row on."""
    channel = case.mate(*QUANTITIES)
    if channel is None:
        return None
    up, down = {"near": (1.08, 0.92), "typical": (1.3, 0.75), "gross": (1.9, 0.5)}[grade]
    factor = up if rng.random() < 0.5 else down
    row = int(rng.integers(round(0.2 * case.rows), round(0.55 * case.rows) + 1))
    days = series(case, channel).days.day
    after = int((days >= case.solar_day[row]).sum()) if case.rows else 0
    if min(after, len(days) - after) < 10:
        return None
    values = case.values(channel).copy()
    values[row:] *= factor
    return Injection((channel.name,), case.time[row], case.last, {"factor": factor}, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Levels over a clear sky's through the record, with the step and the visits."""
    from qc.write import page
    from qc.write import picture as house

    if suspect.exhibit.get("kind") == "factor":
        return ratios.picture(case, suspect)
    found: Series = suspect.exhibit["series"]
    drawn, axes = house.framed(3.2, top=0.55)
    axes.axhspan(case.limit(ID, "lowest"), case.limit(ID, "highest"), color=house.NIGHT, label="what clear skies give")
    axes.plot(found.days.day + 0.5, np.exp(found.days.value), ".", color=house.SOFT, markersize=3, label="days")
    clear = found.clear
    axes.plot(clear.day + 0.5, np.exp(clear.value), "o", color=house.SERIES[0], markersize=3.5, label="clear half-days")
    day = suspect.exhibit["day"]
    parts = [np.ones(len(found.days.day), bool)] if day is None else [found.days.day < day, found.days.day >= day]
    for n, part in enumerate(parts):
        if part.any():
            known = found.days.day[part]
            level = float(np.exp(levels.envelope(found.days.value[part], _ENVELOPE)))
            color = page.COLOURS[3] if n == len(parts) - 1 else house.INK
            told = "level with the wrong factor" if n == len(parts) - 1 else "level before"
            axes.plot([known[0], known[-1] + 1], [level, level], color=color, linewidth=1.6, label=told)
    axes.set_ylim(0.0, max(1.5, float(np.exp(found.days.value.max())) * 1.05))
    axes.set_ylabel("over a usual clear sky's")
    house.time_axis(axes, case.first, case.last, clock=case.logger_clock)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(suspect.channels[0])])
    house.legend(drawn, axes)
    return drawn


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(QUANTITIES,),
    least_s=10 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("factor",),
    go="next-visit",
    rivals={
        "unit-wrong": "the factor of a unit: the unit in the logger's program",
        "constants-wrong": "the sensitivity in the logger's program against the certificate",
        "pyranometer-tilted": "mornings and afternoons, summer and winter change unlike each other",
        "pyranometer-soiled": "it creeps, and goes with rain and cleaning",
        "pyranometer-covered": "it goes within hours or days",
        "tracker-astray": "direct and diffuse change, global does not",
    },
    visits=("replaced", "disturbed", "cleaned", "moved"),
)
