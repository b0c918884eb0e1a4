"""Many channels jump together for one row.

Shows: channels of several devices leave their course in one row, by far more than they ever do, and are back in the
    next one.
Happened: the supply dips or spikes while the radio sends, a pump or heater switches, the charger cuts in; a loose
    earth; lightning near by; a person with a radio.
How sure: weather moves several channels too, but never pressure, soil, battery and air in one row and back again; all
    that sees the sun, and what it warms or charges, counts once by day, for one cloud moves it.
Check: look what switches at those times (radio, pump, heater, charger) in the program and the log; measure the supply
    at the terminals while it does; look for loose earth and shield wires; see whether sensors and radio share a fuse.
Carry: multimeter with a minimum and maximum memory, terminals, earth cable, ferrites, fuses.
Caution: disconnect the battery before rewiring and fuse it, no sparks near lead-acid cells; earthing and lightning
    protection are for licensed people; follow local codes and site rules.
Data: take those rows out by lines of the decision log; means of longer intervals hold a share of each jump.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case, Ints
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "supply-disturbed"
ANY = (
    "air_temperature", "relative_humidity", "dew_point", "air_pressure", "wind_speed", "wind_gust", "wind_direction",
    "global_irradiance", "par", "precipitation", "soil_temperature", "logger_temperature", "battery_voltage",
)  # fmt: skip
"""Some channel of a station: one of these every table has."""
_NOT = ("precipitation", "sunshine", "leaf_wetness", "wind_direction", "other")  # jump, or jump by turning, as a rule
_CALM = (
    "air_pressure", "sea_level_pressure", "soil_temperature", "soil_moisture", "battery_voltage", "logger_temperature",
    "snow_depth",
)  # fmt: skip
"""What no weather moves and brings back within a row; by day, what the sun warms or charges only against the sun."""
_LIGHT = (
    "global_irradiance", "diffuse_irradiance", "direct_irradiance", "reflected_irradiance", "par", "longwave_down",
    "longwave_up", "net_radiation",
)  # fmt: skip
"""What sees one and the same sky: by day one cloud moves all of it in one row."""
_SUNNED = ("logger_temperature", "surface_temperature", "battery_voltage", "charge_voltage")
"""What the sun warms or charges, so that a cloud takes it along, toward the same side as the light."""


def test(case: Case) -> Sequence[Outcome]:
    """Rows in which channels of three devices leave both their neighbours."""
    groups = _originals(case, _groups(case))
    names = tuple(c.name for group in groups for c in group)
    need = round(case.limit(ID, "devices"))
    if case.interval_s > case.limit(ID, "longest"):
        return [Untested(names, f"rows of {case.interval_s / 3600:.3g} h: a shower looks the same")]
    if len(groups) < need:
        return [Untested(names, f"needs channels of {need} devices, has {len(groups)}")]
    jumps = {c.name: _jumps(case, c) for group in groups for c in group}
    count, quiet = _witnesses(case, groups, jumps)
    at = np.flatnonzero((count >= need) & (quiet | (count >= need + 1)))
    events = len(at)
    if events < case.limit(ID, "events"):
        return [Cleared(names, f"{events} rows in which {need} devices jump and return")]
    return [_suspect(case, jumps, count, quiet, at)]


def _witnesses(case: Case, groups: list[list[Channel]], jumps: dict[str, Bools]) -> tuple[Ints, Bools]:
    """How many witnesses jump in each row, and whether one of them is such as no weather moves and brings back.

    A device is one witness. While the sun is up all that sees it, and what it takes along, is one: a cloud moves
    global, direct, diffuse and quanta together, and the logger's box after them.
    """
    up, channels = case.elevation > 0.0, [c for group in groups for c in group]
    light = [c for c in channels if c.quantity in _LIGHT]
    side = {c.name: np.sign(_leaves(case, c)[0]) for c in channels if c.quantity in (*_LIGHT, *_SUNNED)}
    zero = np.zeros(case.rows, bool)

    def along(channel: Channel, *, jumping: bool) -> Bools:
        """Rows in which it leaves toward the side of some light: of one that jumps; or of any, also of one unseen."""
        same = [(side[c.name] == side[channel.name]) & (jumps[c.name] | (not jumping)) for c in light]
        unseen = np.logical_and.reduce([~zero, *(np.isnan(side[c.name]) for c in light)])
        return np.asarray(np.logical_or.reduce([zero if jumping else unseen, *same]), bool)

    own, sunny, quiet = [], zero, zero
    for group in groups:
        here = zero
        for c in group:
            jump = jumps[c.name]
            if c.quantity in _LIGHT:
                of_sun = jump & up
            elif c.quantity in _SUNNED:
                of_sun = jump & up & along(c, jumping=True)
            else:
                of_sun = zero
            sunny, here = sunny | of_sun, here | (jump & ~of_sun)
            if c.quantity in _CALM:
                quiet = quiet | (jump & ~(up & along(c, jumping=False)) if c.quantity in _SUNNED else jump)
        own.append(here)
    return np.sum([*own, sunny], axis=0), quiet


def _groups(case: Case) -> list[list[Channel]]:
    """Channels that can jump, by device."""
    out = []
    for group in case.scene.instruments.values():
        able = [c for c in group if c.quantity not in _NOT and c.statistic not in ("max", "min", "sd", "counter")]
        able = [c for c in able if np.isfinite(case.values(c)).mean() > 0.1]
        if able:
            out.append(able)
    return out


def _originals(case: Case, groups: list[list[Channel]]) -> list[list[Channel]]:
    """Without channels that hold the numbers of another quantity and device in half of the rows in which they move:
    those jump together of necessity."""
    kept: list[list[Channel]] = []
    for group in groups:
        others = [c for g in groups if g is not group for c in g]
        own = [c for c in group if not any(_copy(case, c, o) for o in others)]
        if own:
            kept.append(own)
    return kept


def _copy(case: Case, channel: Channel, other: Channel) -> bool:
    if channel.quantity == other.quantity:
        return False  # twins agree
    x, y = case.values(channel), case.values(other)
    step = max(_coarsest(case, c) for c in (channel, other)) + 1e-9
    with np.errstate(invalid="ignore"):
        near = np.abs(x - y) <= step
        if np.count_nonzero(near) <= 10:  # not half of more than 20
            return False
        moved = (np.abs(np.diff(x, prepend=np.nan)) > step) & np.isfinite(y)
        return bool(moved.sum() > 20 and near[moved].mean() > 0.5)


def _coarsest(case: Case, channel: Channel) -> float:
    """Its coarsest resolution, in the output unit; 0 where none is declared."""
    return case.once(f"coarsest;{channel.name}", lambda: float(case.quantum(channel).max(initial=0.0)))


def _leaves(case: Case, channel: Channel) -> tuple[Floats, Floats]:
    """How far each value leaves the middle of its neighbours, and how far those are apart; NaN at gaps."""
    x = case.values(channel)
    leave, apart = np.full(case.rows, np.nan), np.full(case.rows, np.nan)
    if case.rows > 2:
        whole = case.consecutive[1:-1] & case.consecutive[2:]
        leave[1:-1] = np.where(whole, x[1:-1] - (x[:-2] + x[2:]) / 2.0, np.nan)
        apart[1:-1] = np.abs(x[2:] - x[:-2])
    return leave, apart


def _size(case: Case, channel: Channel, leave: Floats) -> float:
    """What counts as a jump: far beyond the middle and the tail of what the channel does."""
    size = np.abs(leave[np.isfinite(leave)])
    if not len(size):
        return float("inf")
    quantum = _coarsest(case, channel)
    usual = max(1.4826 * float(np.median(size)), quantum)
    return max(case.limit(ID, "sizes") * usual, case.limit(ID, "tail") * float(np.percentile(size, 90.0)))


def _jumps(case: Case, channel: Channel) -> Bools:
    leave, apart = _leaves(case, channel)
    far = np.abs(leave) > _size(case, channel, leave)
    return np.asarray(far & (apart < case.limit(ID, "returns") * np.abs(leave)))


def _suspect(case: Case, jumps: dict[str, Bools], count: Ints, quiet: Bools, at: np.ndarray) -> Suspect:
    events = len(at)
    hit = tuple(name for name, mask in jumps.items() if mask[at].sum() >= max(2, 0.25 * events))
    mean, still = float(count[at].mean()), float(quiet[at].mean())
    minute = (case.time[at].astype("datetime64[s]").astype(np.int64) // 60) % 60
    clues = [
        Clue("events", 1.0 + 1.5 * np.log(events / case.limit(ID, "events")), f"{events} rows"),
        Clue("devices", 1.5 * (mean - case.limit(ID, "devices")) + 1.0, f"{mean:.2g} devices in each"),
        Clue("quiet", 5.0 * (still - 0.4), f"in {still:.0%} of them one that no weather moves and brings back so fast")
        if any(c.quantity in _CALM for c in case.channels if c.name in jumps)
        else Clue("quiet", -0.5, "no channel that weather cannot move so fast"),
    ]
    battery = next((c for c in case.of("battery_voltage") if c.name in jumps), None)
    if battery is not None:
        share = float(jumps[battery.name][at].mean())
        clues.append(Clue("battery", 2.0 * (share - 0.3), f"the battery's voltage jumps in {share:.0%} of them"))
    common = np.bincount(minute, minlength=60)
    same = (
        f", {common.max()} of them at minute {int(common.argmax())} of the hour"
        if events >= 4 and common.max() > 0.6 * events and case.interval_s <= 300.0
        else ""
    )
    first, last = int(at[0]), int(at[-1])
    return Suspect(
        hit or tuple(jumps),
        tuple(clues),
        {"events": events},
        f"{', '.join(hit[:6])}{' and others' if len(hit) > 6 else ''} jump together in {events} rows{same} and are "
        f"back in the next, {mean:.2g} devices at a time.",
        case.time[first],
        case.time[last],
        (case.time[max(first - 1, 0)], case.time[first]),
        exhibit={"rows": at},
    )


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Single rows at random in which most channels jump, each to a side of its own."""
    groups = _groups(case)
    need = round(case.limit(ID, "devices"))
    if len(groups) < need + 1 or case.interval_s > case.limit(ID, "longest") or case.rows < 400:
        return None
    events = {"near": 4, "typical": int(rng.integers(10, 25)), "gross": int(rng.integers(40, 80))}[grade]
    times = {"near": 2.0, "typical": 4.0, "gross": 10.0}[grade]
    first = int(rng.integers(5, max(6, case.rows // 2)))
    rows = np.sort(
        rng.choice(np.arange(first, case.rows - 5, 4), min(events, (case.rows - first) // 40), replace=False)
    )
    values = {}
    for group in groups:
        for channel in group:
            x = case.values(channel).copy()
            leave, _ = _leaves(case, channel)
            size = _size(case, channel, leave)
            side = 1.0 if rng.random() < 0.5 else -1.0
            low = float(np.nanmin(x)) if channel.quantity.startswith(("wind", "relative", "battery")) else -np.inf
            if np.isfinite(low):
                side = 1.0 if channel.quantity.startswith("wind") else -1.0
            here = rows[rng.random(len(rows)) < 0.85]
            x[here] = x[here] + side * times * size * rng.uniform(0.8, 1.2, len(here))
            values[channel.name] = np.maximum(x, 0.0) if np.isfinite(low) and low >= 0 else x
    return Injection(tuple(values), case.time[rows[0]], case.time[rows[-1]], {"events": len(rows)}, values)


def picture(case: Case, suspect: Suspect) -> Figure:
    """The channels around some of the rows, laid over each other; and the voltage by hour, one line a day."""
    from qc.write import picture as house

    rows = np.asarray(suspect.exhibit["rows"])
    by = {c.name: c for c in case.channels}
    shown = [by[n] for n in suspect.channels][:8]
    battery = next(iter(case.of("battery_voltage", extremes=True)), None)
    figure = house.figure(1.0 + 0.55 * len(shown) + (1.9 if battery is not None else 0.0))
    heights = [1.0] * len(shown) + ([3.4] if battery is not None else [])
    axes = np.atleast_1d(figure.subplots(len(heights), 1, height_ratios=heights))
    reach = np.arange(-6, 7)
    for panel, channel in zip(axes, shown, strict=False):
        x = case.values(channel)
        for row in rows[:40]:
            here = np.clip(row + reach, 0, case.rows - 1)
            panel.plot(reach, x[here] - np.nanmedian(x[here]), color=house.SERIES[1], linewidth=0.6, alpha=0.5)
        panel.set_yticks([])
        panel.set_ylabel(house.label(channel.name, 14), rotation=0, ha="right", va="center")
        panel.set_xticks([])
        panel.grid(False)
    axes[len(shown) - 1].set_xticks([-6, 0, 6], ["6 rows before", "the row", "6 rows after"])
    if battery is not None:
        below, x = axes[-1], case.values(battery)
        days = np.unique(case.solar_day)
        for day in days[-60:]:
            here = case.solar_day == day
            below.plot(case.solar_hour[here], x[here], color=house.LINE, linewidth=0.6)
        below.plot(case.solar_hour[rows], x[rows], "o", color=house.SERIES[1], markersize=3, label="at those rows")
        below.set_xlim(0, 24)
        below.set_xticks([0, 6, 12, 18, 24])
        below.set_xlabel("local solar hour")
        below.set_ylabel(f"{house.label(battery.name, 14)}, V")
        house.legend(figure, below)
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(ANY,),
    least_s=86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("events",),
    go="next-visit",
    rivals={"bus-dropout": "whether values go missing too"},
    visits=("disturbed",),
)
