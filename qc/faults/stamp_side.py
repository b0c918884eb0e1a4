"""Stamps that mark another side of the interval than the station file says.

Shows: first and last light of all days lie early, or late, by one interval or half of it, from the first row on.
Happened: the logger stamps the begin (or the end, or the middle) of its interval, and the station file says another.
How sure: a clock that is off by just that much since ever shows the same; with intervals of 5 min and less the sun
    cannot tell.
Check: look in the logger's program whether a row is stamped when the interval begins or when it ends; tip the gauge (or
    cover the pyranometer) at a noted minute and see in which row it stands; compare the logger's display with UTC to
    rule out the clock.
Carry: laptop with the logger's cable, telephone with the time, a jug of water.
Caution: the program can be read from afar; no climb is needed for it.
Data: correct `stamps` of the table in the station file; values and stamps in the table stay as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc import firstlight
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.mends import Mend
from qc.moments import utc_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "stamp-side"
_PLACE = {"start": -0.5, "instant": 0.0, "end": 0.5}
"""Where the stamp lies from the middle of what it stamps, in intervals."""


def late_if(declared: str, true: str, interval_s: float) -> float:
    """Minutes that stamps seem late where one side is declared and another true."""
    return (_PLACE[true] - _PLACE[declared]) * interval_s / 60.0


def test(case: Case) -> Sequence[Outcome]:
    """One level for the whole record, at one interval or half of it."""
    declared = case.table.table.side
    found = firstlight.of(case)
    need = case.limit(ID, "days")
    if found is None or found.days < need:
        have = 0 if found is None else found.days
        when = utc_text(case.first + np.timedelta64(round((case.span_s / 86400 + need - have) * 86400), "s"))
        return (Untested((), f"{have} days show first and last light, needs {need:.0f}", when),)
    if not found.most_days(case):
        told = f"only {found.days} days of {found.channel.name} behave like light"
        return (Untested((), told, "the channel of light is sound on most days"),)
    whole = found.whole
    sigma = found.sigma(whole)
    sides = {side: late_if(declared, side, case.interval_s) for side in _PLACE if side != declared}
    told = f"{whole.mean:+.1f} +- {sigma:.1f} min over {whole.days} days of first and last light"
    if len(found.pieces) > 1 or (found.drift is not None and abs(found.drift.per_day) > 0.1):
        return (Cleared((), "the error is not the same on all days: no side of stamps does that"),)
    sided = {side: at for side, at in sides.items() if abs(at) >= case.limit(ID, "least")}
    apart = case.limit(ID, "errors") * sigma
    sided = {side: at for side, at in sided.items() if abs(at) > apart}
    if not sided:
        if case.interval_s / 60.0 < case.limit(ID, "least"):
            return (Untested((), f"intervals of {case.interval_s / 60:g} min are too short for the sun to tell", None),)
        return (Untested((), f"{told}: cannot tell a side", "more days show first and last light"),)
    side = min(sided, key=lambda s: abs(whole.mean - sided[s]))
    off = (whole.mean - sided[side]) / sigma
    if abs(whole.mean) <= apart or abs(off) > 3.0 or abs(whole.mean) < abs(whole.mean - sided[side]):
        return (Cleared((), f"{told}; {', '.join(f'{s} {at:+g}' for s, at in sides.items())} min would be seen"),)
    return (_named(case, found, side, sided[side], off),)


def _named(case: Case, found: firstlight.FirstLight, side: str, minutes: float, off: float) -> Suspect:
    whole = found.whole
    sigma = found.sigma(whole)
    share = float(np.mean(found.each * np.sign(minutes) > 0.3 * abs(minutes)))
    chance = np.log(case.limit(ID, "room") / (sigma * np.sqrt(2 * np.pi))) - 0.5 * off**2
    clues = [
        Clue("first and last light", 1.5 * (abs(minutes) / sigma - 3.0), f"{whole.mean:+.1f} +- {sigma:.1f} min"),
        Clue("one interval", float(chance), f"{minutes:+g} min would be the {side} of the interval"),
        Clue("size", 2.0 * float(np.log(abs(minutes) / 5.0)), "beyond what horizons do"),
        Clue("always", 1.0, "from the first row to the last"),
        Clue(
            "day by day",
            min(3.0, 0.8 * whole.days) if share > 0.8 else 4.0 * (share - 0.8),
            f"{100 * share:.0f} % of {whole.days} days say so",
        ),
    ]
    if (high := found.odd_height) > case.limit(ID, "height"):
        clues.append(Clue("length of the day", -4.0, f"the sun stands {high:.1f} degrees off at first light"))
    declared = case.table.table.side
    return Suspect(
        (),
        tuple(clues),
        {"minutes": round(minutes, 2)},
        f"Stamps mark the {side} of the interval, not the {declared}: first and last light of {found.channel.name} lie "
        f"{whole.mean:+.1f} +- {sigma:.1f} min from where the sun has them, on {whole.days} days.",
        case.first,
        case.last,
        (case.first, case.first),
        mend=Mend("side", (), None, None, minutes, uncertainty=round(sigma, 1), side=side),
        exhibit={"found": found, "minutes": minutes, "side": side},
    )


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """All stamps moved as if they marked another side: by half an interval (near), or by one that is long enough."""
    declared, interval = case.table.table.side, case.interval_s
    sides = {side: late_if(declared, side, interval) for side in _PLACE if side != declared}
    least = case.limit(ID, "least")
    fit = {side: at for side, at in sides.items() if abs(at) >= least}
    if grade != "near":
        most = max(abs(a) for a in sides.values())
        fit = {side: at for side, at in fit.items() if abs(at) == most and abs(at) >= case.limit(ID, "typical")}
    if grade == "gross":
        fit = {side: at for side, at in fit.items() if abs(at) >= 2.0 * least}
    if not fit:
        return None
    side = str(rng.choice(sorted(fit)))
    ahead = np.full(case.rows, fit[side] * 60.0)
    return Injection((), case.first, case.last, {"minutes": fit[side]}, ahead_s=ahead)


def picture(case: Case, suspect: Suspect) -> Figure:
    """Day by day how late first and last light are, and what each side would show."""
    from qc.write import picture as house

    found: firstlight.FirstLight = suspect.exhibit["found"]
    figure = house.figure(3.2)
    axes = figure.add_subplot()
    axes.plot(
        house.days(case.time[found.row]), found.each, linestyle="none", marker=".", color=house.SOFT, label="one day"
    )
    declared = case.table.table.side
    for n, side in enumerate(_PLACE):
        told = f"{side} of the interval" if side != "instant" else "instant"
        told += " (declared)" if side == declared else ""
        axes.axhline(late_if(declared, side, case.interval_s), color=house.SERIES[n], linewidth=1.4, label=told)
    axes.set_ylabel("stamps late, min")
    house.time_axis(axes, case.first, case.last)
    house.legend(figure, axes, columns=4)
    return figure


FAULT = Fault(
    ID,
    rank="clock",
    needs=(firstlight.LIGHT,),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("minutes",),
    go="remote",
    rivals={
        "clock-offset": "the logger's display against UTC; the logger's program says which side it stamps",
        "site-facts": "the longitude in the station file against a map",
    },
)
