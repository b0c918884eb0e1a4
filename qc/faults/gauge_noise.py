"""Rain gauge that counts without rain.

Shows: tips in dry air under a bright sun, on several days, after which the air is no moister than before.
Happened: a radio's or relay's pulse on the gauge's lead, a chafed or wet lead, contact bounce, a mast that shakes in
    wind, animals at the bucket, or a sprinkler that reaches the funnel.
How sure: rain in dry, sunny air is next to unknown, so a few days decide that it was none; what made the tips the
    minute, the hour and the wind of the tips only hint at.
Check: note minute and hour of the tips, and compare them with the schedule of radio, pump and sprinklers; look for
    chafed insulation and a lead beside power lines; shake the mast by hand and watch the count; look for spiders,
    birds and water marks; put a debounce time into the logger's program.
Carry: shielded lead and ferrite, exchange reed contact, clamps and guy wire, multimeter.
Caution: switch off radio and chargers before opening the box, and never work at leads in lightning, ice or high
    wind; follow local codes and site rules.
Data: reject the tips in dry air; tips of the same kind hide among real rain, so totals of that time are upper bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import gauge
from qc.physics.rain import MICRO, whole
from qc.physics.windows import max_at, min_at, sliding_max, sliding_min, sliding_sum
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "gauge-noise"
QUANTITY = "precipitation"
_US = gauge.HOUR_US


@dataclass(frozen=True)
class Dry:
    """Rows in air in which it does not rain; tips in them, and the occurrences that they gather into."""

    rows: Bools
    tips: NDArray[np.int64]
    occurrences: gauge.Spells

    @property
    def begins(self) -> NDArray[np.int64]:
        """The first tip of each occurrence, a row of the table."""
        return self.tips[self.occurrences.first]


def test(case: Case) -> Sequence[Outcome]:
    """Tips in dry, sunny air."""
    return [_one(case, channel) for channel in case.of(QUANTITY)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    if not 0.0 < case.interval_s <= 3600.0:
        return Untested(names, "events, or intervals longer than an hour")
    rain = case.values(channel)
    dry = _dry(case, channel, rain)
    hours, need = float(dry.rows.sum()) * case.interval_s / 3600.0, case.limit(ID, "dry_hours")
    if hours < need:
        why = f"has {hours:.0f} h of dry air that shows itself as such, needs {need:.0f}"
        return Untested(names, why, f"{need - hours:.0f} h of dry sunshine")
    days = len(np.unique(case.solar_day[dry.begins]))
    if len(dry.begins) < 2:
        return Cleared(names, f"{len(dry.begins)} occurrences of tips in {hours:.0f} h of dry air")
    return _suspect(case, channel, dry, hours, days)


def _dry(case: Case, channel: Channel, rain: Floats) -> Dry:
    rows = _dry_air(case)
    wet = rain > 0
    rows = rows & ~_after_rain(case, rain)
    for visit in case.visits(channel.name):
        margin = np.timedelta64(3600, "s")
        rows = rows & ~((case.time >= visit.start - margin) & (case.time <= visit.end + margin))
    tips = np.flatnonzero(wet & rows)
    apart = round(case.limit(ID, "apart") * _US)
    occurrences = gauge.spells(np.ones(len(tips), bool), case.time[tips], round(case.interval_s * 1e6), apart)
    return Dry(rows, tips, occurrences)


def _after_rain(case: Case, rain: Floats) -> Bools:
    """Rows of spells that hold real rain, and a while more: what drips after it without a pause is no noise.

    None where most dry days have their tips: no funnel drips every day.
    """
    wet, pause = rain > 0, max(round(0.75 * _US), round(1.5 * case.interval_s * 1e6))
    dry = _dry_air(case)
    tips = np.flatnonzero(wet & dry)
    if len(tips):
        days = np.unique(case.solar_day[tips[0] : tips[-1] + 1][dry[tips[0] : tips[-1] + 1]])
        if len(days) >= 5 and len(np.unique(case.solar_day[tips])) > 0.6 * len(days):
            return np.zeros(case.rows, bool)
    rh = case.scene.companion("relative_humidity")
    assert rh is not None
    fallen = sliding_sum(whole(rain), case.time, 3 * _US - 1, 0) / MICRO
    real = wet & (fallen >= case.limit(ID, "real_rain")) & (rh >= _scale(case) * case.limit(ID, "moist"))
    out = np.zeros(case.rows, bool)
    spells = gauge.spells(wet, case.time, round(case.interval_s * 1e6), pause)
    for first, last in zip(spells.first, spells.last, strict=True):
        rainy = np.flatnonzero(real[first : last + 1])
        if len(rainy):
            latest = case.time[first + rainy[-1]] + np.timedelta64(round(case.limit(ID, "after_rain") * _US), "us")
            end = min(case.time[last] + np.timedelta64(pause, "us"), latest)
            out[first : np.searchsorted(case.time, end, side="right")] = True
    return out


def _scale(case: Case) -> float:
    """A hygrometer with a low ceiling reads low below it too: its highest humidity over 100 %; a desert has 0.8."""
    rh = case.scene.companion("relative_humidity")
    if rh is None or not np.isfinite(rh).any():
        return 1.0
    return float(np.clip(np.nanpercentile(rh, 99.0) / 100.0, case.limit(ID, "least_ceiling"), 1.0))


def _dry_air(case: Case) -> Bools:
    """Rows whose air, and that of the hour before, is very dry; or dry, with a bright sun around."""
    return case.once("gauge-noise;dry", lambda: _dried(case))


def _dried(case: Case) -> Bools:
    humid = np.full(case.rows, np.nan)
    for hygrometer in case.of("relative_humidity"):
        humid = np.fmax(humid, case.values(hygrometer))
    scale = _scale(case)
    before = max(_US, round(2.0 * case.interval_s * 1e6))
    driest = sliding_max(humid, case.time, before, 0)
    rows = driest < scale * case.limit(ID, "very_dry")
    bright = case.scene.brightness
    if bright is not None:
        around = max(round(case.limit(ID, "around") * 60e6), 0)
        sunny = sliding_min(bright, case.time, around, around) >= case.limit(ID, "sunny")
        rows |= sunny & (driest < scale * case.limit(ID, "dry"))
    t = case.scene.companion("air_temperature")
    if t is not None:  # snow and frost that thaw in the sun
        rows &= sliding_min(t, case.time, 24 * _US, 0) > case.limit(ID, "thaw")
    return rows


def _suspect(case: Case, channel: Channel, dry: Dry, hours: float, days: int) -> Suspect:
    names, begins = (channel.name,), dry.begins
    rain, tips = case.values(channel), dry.tips
    size = _tip(case, channel, rain)
    count = float(np.rint(rain[tips] / size).sum()) if size > 0 else float(len(tips))
    moister = _moister(case, begins)
    clues = [
        Clue("dry air", 1.2 * len(begins) - 0.6, f"tips on {len(begins)} occasions in {hours:.0f} h of dry air"),
        Clue("days", min(3.0, float(days - 1)), f"on {days} days"),
        Clue("air stays dry", float(np.clip(4.0 * (0.6 - moister), -3.0, 1.6)),
             f"the air is moister afterwards in {100 * moister:.0f} % of them"),
    ]  # fmt: skip
    clues += _habits(case, dry)
    # at this rate the first tip in dry air came so many dry rows after the noise began, nineteen times of twenty
    order = np.cumsum(dry.rows)
    each = (order[begins[-1]] - order[begins[0]]) / max(len(begins) - 1, 1)
    gaps = max(len(begins) - 1, 1)
    before = int(np.searchsorted(order, order[begins[0]] - (20.0 ** (1.0 / gaps) - 1.0) * gaps * max(each, 1.0)))
    return Suspect(
        names,
        tuple(clues),
        {"tips": round(count)},
        f"{channel.name} counts {count:.0f} tips in dry air on {len(begins)} occasions of {days} days; sound gauges "
        f"count none in {hours:.0f} h of such air.",
        case.time[begins[0]],
        case.time[tips[-1]],
        (case.time[min(before, int(begins[0]))], case.time[begins[0]]),
        device=case.device(channel),
        spoils=names,
        exhibit={"tips": tips, "dry": dry.rows},
    )


def _tip(case: Case, channel: Channel, rain: Floats) -> float:
    """The declared resolution, else the least amount, mm; 0 without any."""
    declared = float(np.max(case.quantum(channel), initial=0.0))
    wet = rain[rain > 0]
    return declared if declared > 0 else float(wet.min()) if len(wet) else 0.0


def _moister(case: Case, begins: NDArray[np.int64]) -> float:
    """Share of occurrences after which the highest humidity lies well above that before."""
    rh = case.scene.companion("relative_humidity")
    assert rh is not None
    step = max(_US, round(2.0 * case.interval_s * 1e6))
    before = max_at(rh, case.time, begins, step, -1)
    after = min_at(rh, case.time, begins, -round(0.5 * case.interval_s * 1e6), step)
    known = np.isfinite(before) & np.isfinite(after)
    return float((after[known] > before[known] + case.limit(ID, "moister")).mean()) if known.any() else 0.5


def _habits(case: Case, dry: Dry) -> list[Clue]:
    """Sprinklers come at one hour and last; a radio comes at one minute of the hour."""
    begins = dry.begins
    if len(begins) < 3:
        return []
    clues = []
    scatter = [_scatter(case.solar_hour[rows]) for rows in (dry.tips, dry.rows)]
    rows = np.concatenate([dry.tips[a : b + 1] for a, b in zip(*dry.occurrences, strict=True) if b > a] or [begins[:0]])
    running = float((np.diff(rows) == 1).mean()) if len(rows) > 1 else 0.0
    if scatter[0] < min(case.limit(ID, "same_hour"), 0.5 * scatter[1]) and running > 0.5:
        clues.append(Clue("sprinkler", -4.0, "they come at the same hour of the day and last: water from a sprinkler"))
    minute = (case.time[dry.tips].astype(np.int64) // 60_000_000) % 60
    if case.interval_s <= 600.0 and len(dry.tips) >= 5:
        each = np.bincount(minute, minlength=60)
        if each.max() > 0.8 * len(minute):
            said = f"{100 * each.max() / len(minute):.0f} % come at minute {int(each.argmax())} of the hour"
            clues.append(Clue("one minute", 1.5, f"{said}, as a transmitter does"))
    return clues


def _scatter(hours: Floats) -> float:
    """Circular standard deviation of hours of the day, h."""
    length = float(np.abs(np.exp(2j * np.pi * hours / 24.0).mean()))
    return float(np.sqrt(-2.0 * np.log(np.clip(length, 1e-9, 1.0))) * 12.0 / np.pi)


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Tips at random from a random row on; one time in three at one minute of the hour."""
    channel = case.mate(QUANTITY)
    if channel is None or case.mate("relative_humidity") is None or not 0.0 < case.interval_s <= 3600.0:
        return None
    values, row = case.values(channel).copy(), onset_row(case, rng)
    tip = _tip(case, channel, values)
    dry = _dry(case, channel, values)
    rate = {"near": 1.0, "typical": 6.0, "gross": 30.0}[grade]  # a day
    free = float(dry.rows[row:].sum()) * case.interval_s / 86400.0  # days of dry air
    if tip <= 0.0 or rate * free < {"near": 1.5, "typical": 5.0, "gross": 20.0}[grade]:
        return None
    if float(dry.rows.sum()) * case.interval_s / 3600.0 < 1.5 * case.limit(ID, "dry_hours"):
        return None
    known = np.flatnonzero(np.isfinite(values[row:])) + row
    if case.interval_s <= 600.0 and rng.random() < 1.0 / 3.0:
        minute = (case.time[known].astype(np.int64) // 60_000_000) % 60
        known = known[minute == int(rng.choice(np.unique(minute)))]
    number = min(round(rate * float((case.last - case.time[row]) / np.timedelta64(1, "D"))), len(known))
    hit = np.sort(rng.choice(known, size=number, replace=False))
    values[hit] += tip * rng.integers(1, 3, len(hit))
    after = _dry(case, channel, values)
    evidence = {"tips": float(np.rint(values[after.tips] / tip).sum())}
    return Injection((channel.name,), case.time[hit[0]], case.time[hit[-1]], evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Every tip by its humidity over time; below it the hour and size of tips in dry air."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    rain, rh = case.values(channel), case.scene.companion("relative_humidity")
    assert rh is not None
    bad = np.zeros(case.rows, bool)
    bad[suspect.exhibit["tips"]] = True
    wet = (rain > 0) & ~bad
    first, last = case.first, case.last
    with house.house():
        figure = house.figure(4.2)
        upper, lower = figure.subplots(2, 1, sharex=True)
        for rows, color, told, size in ((wet, "#9a9e9b", "tips", 2.5), (bad, COLOURS[3], "tips in dry air", 4.0)):
            for axes, y in ((upper, rh), (lower, case.solar_hour)):
                axes.plot(
                    house.days(case.time[rows]), y[rows], linestyle="none", marker=".", markersize=size, color=color,
                    label=told,
                )  # fmt: skip
        upper.axhline(case.limit(ID, "dry"), color=house.INK, linewidth=0.7, linestyle="--")
        upper.set_ylim(0, 103)
        upper.set_ylabel("humidity, %")
        lower.set_ylim(0, 24)
        lower.set_yticks([0, 6, 12, 18, 24])
        lower.set_ylabel("solar hour")
        spans = [(v.start, v.end, v.effect) for v in case.visits(channel.name)]
        house.one_over_the_other(upper, lower, first, last, clock=case.logger_clock, spans=spans)
        house.legend(figure, upper)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=((QUANTITY,), ("relative_humidity",)),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("tips",),
    go="next-visit",
    rivals={
        "gauge-clogged": "whether the tips follow rain",
        "gauge-double-tip": "whether the tips come with rain, in pairs",
        "hygrometer-ceiling": "the sky at the times of the tips: whether it rained after all",
    },
    visits=("disturbed", "replaced"),
)
