"""A battery that no longer carries the night.

Shows: the voltage sinks from dusk to dawn further than it did, night by night, until it falls below what the logger
    or the battery can bear.
Happened: the battery is old, a cell is dead, it is no longer charged (panel, fuse, regulator, snow, leaves), or
    something draws more than it should.
How sure: the sag against the station's own nights is plain; whether battery, charging or load is to blame shows by
    the voltage of clear days and under load. What is healthy depends on the chemistry, which the data do not tell.
Check: read the voltage at rest and with the largest load on; look at the panel for dirt, snow, shade and breakage;
    look at fuse and regulator, and whether the battery is charged at noon; measure the current of the station at
    night.
Carry: a charged battery of the same chemistry and size, fuses, a regulator, multimeter with a clamp, cloth and water.
Caution: batteries and solar wiring: disconnect before rewiring, fuse, no sparks near lead-acid cells, lift with care,
    never short the terminals; follow local codes and site rules.
Data: values from the hours of low voltage are suspect, gaps before dawn first; nothing can be mended.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "battery-failing"
_DAY = np.timedelta64(24, "h")
_SOUND = 4
"""Nights that a rise needs before it (judgement)."""


class _Nights(NamedTuple):
    """Of each night: its number (days from noon to noon), voltage at dusk and at dawn, the lowest, and the highest of
    the day before, V; sun below the horizon, at least six hours and eight values."""

    night: np.ndarray
    dusk: Floats
    dawn: Floats
    lowest: Floats
    day: Floats

    @property
    def sag(self) -> Floats:
        """From dusk to the lowest of the night."""
        return self.dusk - self.lowest


def test(case: Case) -> Sequence[Outcome]:
    """The sag of each night against those before."""
    found = [c for c in case.of("battery_voltage", extremes=True) if c.statistic != "sd"]
    found = [c for c in found if np.isfinite(case.values(c)).any()]
    return [_one(case, c) for c in found] or [Untested((), "no battery_voltage channel has values")]


def _noon(case: Case) -> np.ndarray:
    """Number of the night that each row belongs to: from local solar noon to noon."""
    return np.asarray(case.solar_day - (case.solar_hour < 12.0))


def _nights(case: Case, channel: Channel) -> _Nights:
    x = case.values(channel).copy()
    x[1:-1] = np.median(np.column_stack((x[:-2], x[1:-1], x[2:])), axis=1)  # one dip while the radio sends is no sag
    night = _noon(case)
    dark = (case.elevation < 0.0) & np.isfinite(x)
    rows = np.flatnonzero(dark)
    numbers, first, count = np.unique(night[rows], return_index=True, return_counts=True)
    least = max(8, round(6.0 * 3600.0 / max(case.interval_s, 1.0) * 0.6))
    found: list[tuple[float, ...]] = []
    highest = {int(n): 0.0 for n in numbers}
    lit = np.flatnonzero((case.elevation > 0.0) & np.isfinite(x))
    days, start = np.unique(case.solar_day[lit], return_index=True)
    if len(days):
        highest |= dict(zip(days.tolist(), np.maximum.reduceat(x[lit], start).tolist(), strict=True))
    for number, a, n in zip(numbers, first, count, strict=True):
        part = x[rows[a : a + n]]
        if n >= least:
            k = max(1, n // 8)
            low = float(np.sort(part)[: max(1, n // 50)].mean())
            found.append(
                (number, float(np.median(part[:k])), float(np.median(part[-k:])), low, highest.get(int(number), 0.0))
            )
    table = np.array(found, float).reshape(-1, 5)
    return _Nights(table[:, 0].astype(np.int64), *(table[:, i] for i in range(1, 5)))


def _nominal(case: Case, nights: _Nights) -> float:
    """12 V or what else most evenings fit, in V."""
    middle = float(np.median(nights.dusk))
    return next((n for n in (6.0, 12.0, 24.0, 48.0) if middle <= case.limit(ID, "band") * n), 48.0)


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    nights = _nights(case, channel)
    n, need = len(nights.night), round(case.limit(ID, "nights"))
    if n < need:
        when = case.first + (need + 1) * _DAY
        return Untested(names, f"has {n} nights with values, needs {need}", f"{str(when)[:19]}Z")
    volts = _nominal(case, nights)
    scale = volts / 12.0
    sag = nights.sag
    start, usual = _begin(case, sag, scale)
    dead = nights.lowest < case.limit(ID, "low") * scale
    if start is None and dead[-3:].sum() < 2:
        return Cleared(
            names,
            f"sinks by {np.median(sag):.2g} V in the night, lowest {nights.lowest.min():.4g} V; no night stands out",
        )
    first = start if start is not None else int(np.flatnonzero(dead)[0])
    late = slice(max(first, n - 3), n)
    now, lowest = float(np.median(sag[late])), float(nights.lowest[first:].min())
    count = n - first
    slope = _slope(nights.night[first:], nights.lowest[first:])
    reach = case.limit(ID, "cut-off") * scale
    if start is None:
        usual = float("nan")
    over = (now - usual) / (case.limit(ID, "rise") * scale) if np.isfinite(usual) else 0.0
    charged = float(np.median(nights.day[late])) >= case.limit(ID, "charged") * scale
    clues = [
        Clue(
            "sag",
            2.0 * np.log(max(over, 0.1)) + 1.0 if np.isfinite(usual) else -1.0,
            f"it sinks by {now:.2f} V in the night, {usual:.2f} V before"
            if np.isfinite(usual)
            else "no sound nights before to compare with",
        ),
        Clue("nights", min(float(count) - 2.0, 2.5), f"in the last {count} nights"),
        Clue(
            "low",
            min(2.0 * (case.limit(ID, "low") * scale - lowest) / scale + 1.0, 3.5) if dead[first:].sum() >= 2 else -1.0,
            f"down to {lowest:.4g} V",
        ),
        Clue("falling", 1.5 if slope < -0.03 * scale else -0.5, f"its lowest falls by {-slope:.2g} V a day"),
    ]
    left = (float(nights.lowest[-1]) - reach) / -slope if slope < -0.01 * scale else float("nan")
    ahead = ""
    if np.isfinite(left):
        ahead = f"; {reach:.4g} V in about {left:.0f} days" if left > 0 else f"; it is below {reach:.4g} V already"
    charging = (
        "charged by day"
        if charged
        else f"charged to {np.median(nights.day[late]):.4g} V only: look at panel, fuse and regulator"
    )
    day0 = case.time[np.flatnonzero((_noon(case) == nights.night[first]) & (case.elevation < 0.0))[0]]
    earlier = (
        np.flatnonzero((_noon(case) == nights.night[first - 1]) & (case.elevation < 0.0)) if first else np.zeros(0, int)
    )
    before = case.time[earlier[0]] if len(earlier) else case.first
    return Suspect(
        names,
        tuple(clues),
        {"night_sag_v": round(now, 2)},
        f"{channel.name} sinks by {now:.2f} V in the night"
        + (f" ({usual:.2f} V before)" if np.isfinite(usual) else "")
        + f", down to {lowest:.4g} V, since {str(day0)[:10]}; {charging}{ahead}. Taken for a {volts:.0f} V lead "
        "battery: the chemistry is not declared.",
        day0,
        case.last,
        (before, day0),
        device=case.device(channel),
        go="drive" if lowest < reach or (np.isfinite(left) and left < 14.0) else None,
        exhibit={"night": nights.night, "sag": sag, "first": first},
    )


def _begin(case: Case, sag: Floats, scale: float) -> tuple[int | None, float]:
    """The first night of the run to the end in which all sag further than before; what was usual, V."""
    n = len(sag)
    rise = case.limit(ID, "rise") * scale
    for start in range(n - 2, 1, -1):
        before = sag[:start]
        usual = float(np.median(before))
        spread = 1.4826 * float(np.median(np.abs(before - usual)))
        if sag[start] < usual + max(rise, 5.0 * spread):
            start += 1
            break
    else:
        start = 2
    before = sag[:start]
    usual = float(np.median(before))
    spread = 1.4826 * float(np.median(np.abs(before - usual)))
    if n - start < 2:  # a rise that outgrows the few nights before it: the last two weeks against the nights before
        late = (k for k in range(max(_SOUND, n - 12), n - 1) if sag[k:].min() > _bound(sag[:k], rise))
        start = next(late, n)
    if n - start < 2:
        return None, usual
    while start > 3 and sag[start - 1] > usual + max(0.4 * rise, 5.0 * spread):
        start -= 1
    usual = float(np.median(sag[:start]))
    return start, usual


def _bound(before: Floats, rise: float) -> float:
    """What no sound night sags by, V, by the nights before."""
    usual = float(np.median(before))
    return usual + max(rise, 5.0 * 1.4826 * float(np.median(np.abs(before - usual))))


def _slope(night: np.ndarray, volts: Floats) -> float:
    """Median of all slopes between two nights, V a day (Theil and Sen: single odd nights do not turn it)."""
    i, j = np.triu_indices(min(len(night), 40), 1)
    night, volts = night[-40:], volts[-40:]
    return float(np.median((volts[j] - volts[i]) / (night[j] - night[i]))) if len(i) else 0.0


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A sag from dusk to dawn that grows night by night up to the end of the table."""
    found = [c for c in case.of("battery_voltage", extremes=True) if np.isfinite(case.values(c)).mean() > 0.5]
    if not found or case.span_s < 12.0 * 86400.0:
        return None
    channel = found[0]
    noon = _noon(case)
    last = int(noon[-1])
    nights = int(rng.integers(5, 10))
    final = {"near": 0.6, "typical": float(rng.uniform(1.1, 1.8)), "gross": float(rng.uniform(2.2, 3.2))}[grade]
    volts = float(np.nanmedian(case.values(channel)))
    final *= round(max(volts / 12.5, 0.5) * 2.0) / 2.0
    grown = np.clip((noon - (last - nights)) / nights, 0.0, 1.0)
    dark = case.elevation < 0.0
    hours = (case.solar_hour - 12.0) % 24.0 - 6.0  # since six in the evening: before it a long night has not sagged yet
    depth = np.where(dark, np.clip(hours / 11.0, 0.0, 1.0), 0.0)
    x = case.values(channel) - final * grown * depth
    first = case.time[np.flatnonzero((grown > 0) & dark)[0]] if ((grown > 0) & dark).any() else None
    if first is None:
        return None
    placed = _nights(case, channel)
    usual = float(np.median(placed.sag)) if len(placed.night) else 0.0
    full = [final * (int(v) - (last - nights)) / nights for v in placed.night[-3:]]
    evidence = {"night_sag_v": float(np.median(full)) + usual if full else final}
    return Injection((channel.name,), first, case.last, evidence, {channel.name: np.maximum(x, 0.0)})


def picture(case: Case, suspect: Suspect) -> Figure:
    """The voltage by hour, a curve for each day laid upon the others, the last nights in colour; the sag of each."""
    from qc.write import picture as house

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    x, noon = case.values(channel), _noon(case)
    night, first = np.asarray(suspect.exhibit["night"]), int(suspect.exhibit["first"])
    figure = house.figure(3.3)
    left, right = figure.subplots(1, 2, width_ratios=[3, 2])
    hour = (case.solar_hour - 12.0) % 24.0
    bad = night[first:]
    shown = [n for n in np.unique(noon) if n not in bad][-40:]
    for number in shown:
        rows = np.flatnonzero(noon == number)
        left.plot(hour[rows], x[rows], color=house.LINE, linewidth=0.6)
    from matplotlib import colormaps

    shades = colormaps["YlOrRd"]
    for i, number in enumerate(bad):
        rows = np.flatnonzero(noon == number)
        colour = shades(0.35 + 0.65 * (i + 1) / len(bad))
        left.plot(
            hour[rows],
            x[rows],
            color=colour,
            linewidth=1.0,
            label="first night of it" if i == 0 else "last night" if i == len(bad) - 1 else None,
        )
    left.set_xticks([0, 6, 12, 18, 24], ["12", "18", "0", "6", "12"])
    left.set_xlim(0, 24)
    left.set_xlabel("local solar hour")
    left.set_ylabel(f"{house.label(channel.name, 16)}, V")
    when = house.days(night.astype("datetime64[D]"))
    right.plot(when[:first], np.asarray(suspect.exhibit["sag"])[:first], ".", color=house.SOFT)
    right.plot(when[first:], np.asarray(suspect.exhibit["sag"])[first:], "o", markersize=3.5, color=house.SERIES[1])
    right.set_ylabel("sag of the night, V")
    right.set_ylim(bottom=0)
    house.time_axis(right, case.first, case.last)
    house.visits(right, [(v.start, v.end, v.note) for v in case.visits(channel.name)])
    house.legend(figure, left)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(("battery_voltage",),),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("night_sag_v",),
    go="next-visit",
    rivals={"brownout": "whether power-hungry devices fail before dawn"},
    visits=("disturbed",),
)
