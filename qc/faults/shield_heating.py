"""Radiation shield that heats its sensor.

Shows: when the sun comes out the temperature jumps within minutes, when it goes it falls back; in weak wind far more
    than in a breeze.
Happened: the fan of the shield has stopped or its intake is blocked, the shield is dirty, cracked, too small or hung
    too near a warm wall or roof, or snow lies under it.
How sure: a naturally ventilated shield is warm by some tenths of a kelvin in strong sun and calm; only what lies well
    beyond, and goes with the wind, is blamed; beside an aspirated reference an hour of sun and calm gives proof.
Check: listen and feel whether the fan runs, and measure its current; look for nests, webs, leaves and dirt between the
    plates; look for missing or cracked plates and for a probe that touches one; see that nothing warm stands within
    some metres and that the shield hangs free; compare with a hand-held aspirated thermometer in sun and calm.
Carry: spare fan and fuse, soft brush, water and cloth, spare plates, aspirated thermometer.
Caution: work on masts and roofs with fall protection and two people, never in lightning, ice or high wind; unplug the
    fan before reaching in; wasps like shields.
Data: day values in sun and weak wind are too warm, and humidity from the same shield too low; leave them out below
    2 m/s and above 300 W/m2; nights and overcast days stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import onset
from qc.physics import shield_response as response
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "shield-heating"
_STRONG_KW = 0.8  # kW/m2 of sun that `excess_k` is told for


def test(case: Case) -> Sequence[Outcome]:
    """Answers of temperature to cloud edges, by wind."""
    return [_one(case, channel) for channel in case.of("air_temperature")]


def _edges(case: Case, channel: Channel) -> response.Edges:
    """Cloud edges between blocks of 10 min, the sun above 10 degrees."""
    sun, wind = case.mate("global_irradiance"), case.mate("wind_speed")
    assert sun is not None and wind is not None
    block_s = max(case.interval_s, 600.0)
    number = case.table.middle.astype("datetime64[us]").astype(np.int64) // round(block_s * 1e6)
    g = np.where(case.elevation > 10.0, case.values(sun), np.nan)
    need = max(1, round(0.6 * block_s / max(case.interval_s, 1.0)))
    found = response.blocks(number, g, case.sound(channel), case.values(wind), least=need)
    return response.edges(found, least=case.limit(ID, "edge"))


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    if not 0.0 < case.interval_s <= case.limit(ID, "interval"):
        return Untested(names, f"an interval of {case.interval_s / 60:.0f} min is too long to see a shield warm up")
    e = _edges(case, channel)
    weak = e.wind < case.limit(ID, "weak")
    strong = e.wind >= case.limit(ID, "strong")
    start, latest, earliest = _begin(case, e, weak)
    after = e.row >= start
    slope, error = response.slope(e.sun[weak & after], e.temperature[weak & after])
    if not np.isfinite(slope) or len(np.unique(case.solar_day[e.row[weak & after]])) < case.limit(ID, "days"):
        count = int((weak & after).sum())
        why = f"has {count} cloud edges in weak wind, needs ten of either kind on {case.limit(ID, 'days'):.0f} days"
        return Untested(names, why, "more sunny days with clouds and weak wind")
    breeze, breeze_error = response.slope(e.sun[strong & after], e.temperature[strong & after])
    past, past_error = response.slope(e.sun[weak & ~after], e.temperature[weak & ~after])
    sure = slope - case.limit(ID, "errors") * error
    kilo = f"{slope:.2f} +- {error:.2f} K per kW/m2 in weak wind"
    if sure < case.limit(ID, "healthy"):
        return Cleared(names, f"{kilo}, {int(weak.sum())} cloud edges; up to {case.limit(ID, 'slope'):.1f} is sound")
    limit = case.limit(ID, "slope")
    clues = [
        Clue("answer to the sun", float(np.interp(sure, [0.5 * limit, limit, 1.8 * limit], [-3.0, 0.5, 4.0])), kilo)
    ]
    if np.isfinite(breeze):
        spread = float(np.hypot(error, breeze_error))
        falls = slope - breeze - 0.5 * spread
        said = f"{breeze:.2f} K per kW/m2 from {case.limit(ID, 'strong'):.0f} m/s on"
        clues.append(Clue("falls with wind", float(np.interp(falls, [0.2, 0.6, 1.2], [-3.0, 0.5, 3.5])), said))
    if np.isfinite(past):
        rise = (slope - past) / float(np.hypot(error, past_error))
        odds = float(np.interp(rise, [1.0, 2.0, 5.0], [-0.5, 0.5, 3.0])) if start else 0.0
        clues.append(Clue("own past", odds, f"it was {past:.2f} +- {past_error:.2f} before"))
    usual = past if np.isfinite(past) else case.limit(ID, "usual")
    excess = _STRONG_KW * (slope - usual) / case.limit(ID, "share")
    rows = e.row[after]
    first = case.time[rows[0]]
    return Suspect(
        names,
        tuple(clues),
        {"excess_k": round(excess, 1)},
        f"{channel.name} follows the sun: {slope:.1f} K per kW/m2 within one interval at cloud edges in weak wind "
        f"(sound: up to {limit:.1f}), about {excess:.1f} K too warm in strong sun and weak wind.",
        first,
        case.time[rows[-1]],
        (case.time[latest], case.time[earliest]) if start else (case.first, case.first),
        device=case.device(channel),
        exhibit={"edges": e, "after": after},
    )


def _begin(case: Case, e: response.Edges, weak: Bools) -> tuple[int, int, int]:
    """The row from which the answer is stronger, by groups of a dozen edges, and the rows between which it began; zeros
    where it always was."""
    rows = np.flatnonzero(weak)
    groups = np.array_split(rows, max(1, len(rows) // 12))
    with np.errstate(invalid="ignore", divide="ignore"):
        medians = [float(np.median(e.temperature[r] / e.sun[r])) if len(r) else float("nan") for r in groups]
    change = onset.step(medians, least=2)
    if change is None or change.gain < 2.5 or change.after - change.before < case.limit(ID, "step"):
        return 0, 0, 0
    first, last = groups[max(change.earliest - 1, 0)], groups[min(change.latest, len(groups) - 1)]
    return int(e.row[groups[change.at][0]]), int(e.row[first[0]]), int(e.row[last[-1]])


def excess(case: Case, size: float) -> Floats | None:
    """What a bad shield adds, K: in line with the sun, less in wind (Nakamura and Mahrt 2005, from memory, in their
    form), with a memory of six minutes (judgement); `size` in K per kW/m2 at 1 m/s."""
    sun, wind = case.mate("global_irradiance"), case.mate("wind_speed")
    if sun is None or wind is None or not case.interval_s:
        return None
    g, u = np.nan_to_num(case.values(sun)), np.nan_to_num(case.values(wind), nan=2.0)
    now = size * np.clip(g, 0.0, None) / 1000.0 / (0.5 + 0.5 * u)
    keep = np.exp(-case.interval_s / 360.0)
    from scipy.signal import lfilter  # type: ignore[import-untyped]

    end = np.asarray(lfilter([1.0 - keep], [1.0, -keep], now))  # at the end of each interval
    before = np.concatenate([[0.0], end[:-1]])
    return np.asarray(now + (before - now) * (1.0 - keep) * 360.0 / case.interval_s)


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """The fan stops at a random row."""
    channel, sun, wind = case.mate("air_temperature"), case.mate("global_irradiance"), case.mate("wind_speed")
    if channel is None or sun is None or wind is None or case.interval_s > case.limit(ID, "interval"):
        return None
    row = onset_row(case, rng)
    added = excess(case, {"near": 4.0, "typical": 8.0, "gross": 16.0}[grade])
    assert added is not None
    added[:row] = 0.0
    strong = (case.values(sun) > 600.0) & (case.values(wind) < case.limit(ID, "weak")) & (np.arange(case.rows) >= row)
    e = _edges(case, channel)
    weak = (e.wind < case.limit(ID, "weak")) & (e.row >= row)
    if strong.sum() < 10 or min((e.sun[weak] > 0).sum(), (e.sun[weak] < 0).sum()) < 20:
        return None  # no sun, no calm or no clouds: nothing to see
    evidence = {"excess_k": float(np.median(added[strong]))}
    return Injection((channel.name,), case.time[row], case.last, evidence, {channel.name: case.values(channel) + added})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Change of temperature against change of sun at cloud edges, in three winds."""
    from qc.write import page
    from qc.write import picture as house

    e: response.Edges = suspect.exhibit["edges"]
    after = np.asarray(suspect.exhibit["after"])
    weak, strong = case.limit(ID, "weak"), case.limit(ID, "strong")
    drawn = house.figure(3.2)
    panels = drawn.subplots(1, 3, sharex=True, sharey=True)
    reach = float(np.quantile(np.abs(e.temperature), 0.99)) * 1.15 + 0.1
    across = np.array([-1.0, 1.0]) * float(np.abs(e.sun).max()) * 1000.0
    bins = ((0.0, weak), (weak, strong), (strong, np.inf))
    for axes, (low, high) in zip(panels, bins, strict=True):
        here = (e.wind >= low) & (e.wind < high)
        for mask, color, told in ((~after, house.SOFT, "before"), (after, page.COLOURS[3], "while it lasts")):
            rows = here & mask
            axes.plot(e.sun[rows] * 1000.0, e.temperature[rows], ".", color=color, markersize=3, label=told)
        found, _ = response.slope(e.sun[here & after], e.temperature[here & after])
        if np.isfinite(found):
            axes.plot(across, found * across / 1000.0, color=house.INK, label="answer found")
        limit = case.limit(ID, "slope")
        axes.plot(across, limit * across / 1000.0, color=house.SERIES[0], linestyle="--", label="bound of a sound one")
        axes.set_title(f"wind {low:.0f} to {high:.0f} m/s" if np.isfinite(high) else f"wind from {low:.0f} m/s")
        axes.set_ylim(-reach, reach)
        axes.set_xlabel("change of sun, W/m2")
    panels[0].set_ylabel("change of temperature, K")
    house.legend(drawn, *panels)
    return drawn


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(("air_temperature",), ("global_irradiance",), ("wind_speed",)),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("excess_k",),
    go="next-visit",
    rivals={
        "probe-exposed": "a probe out of its shield is too cold on clear nights as well, often from a storm on",
        "supply-disturbed": "a glitch returns at the next stamp and moves other channels too",
    },
    visits=("disturbed", "moved", "replaced"),
)
