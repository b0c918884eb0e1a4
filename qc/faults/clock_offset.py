"""Logger clock that is wrong.

Shows: first and last light of the days do not lie evenly about solar noon; all of them lie early, or late, by the same
    minutes, under clouds and under a clear sky.
Happened: somebody set the clock to another zone or by a wrong watch, the logger followed summer time, it lost its time
    in a restart, or its quartz drifts.
How sure: a wrong longitude in the station file shows exactly the same; stamps that mark the other side of the interval
    do where the error is one interval or half of it. A sensor that is tilted or shaded does not move first light.
Check: compare the logger's display with UTC on a telephone or a satellite receiver and write down both; compare the
    longitude in the station file with a map; read the logger's settings for zone, summer time and the source of its
    time; look into the visit log for the day at which it began; look at the backup cell where the clock came back
    wrong after a restart.
Carry: telephone or satellite receiver with the time, laptop with the logger's cable, backup cell.
Caution: the clock can mostly be read and set from afar, so let nobody drive or climb for it alone; set it between two
    intervals and log the visit, or rows are lost or come twice.
Data: leave the stamps as they are; write the period and `minutes_ahead` (or the zone) into `[[clock]]` of the station
    file, and all values are read again at their true times.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc import firstlight
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Moment, Outcome, Suspect, Untested, onset_row
from qc.firstlight import FirstLight, Piece
from qc.mends import Mend
from qc.moments import utc_text
from qc.physics.twilight import Level
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "clock-offset"
LIGHT = firstlight.LIGHT
HALVES = 30.0
"""Minutes from which a change within a day is placed by its first and last light, each alone: clouds move either by
some 10 min (judgement)."""


def test(case: Case) -> Sequence[Outcome]:
    """Days of first and last light: one level, steps, or a drift."""
    found = firstlight.of(case)
    need = case.limit(ID, "days")
    if found is None or found.days < need:
        have = 0 if found is None else found.days
        when = utc_text(case.first + np.timedelta64(round((case.span_s / 86400 + need - have) * 86400), "s"))
        why = f"{have} days show first and last light, needs {need:.0f}"
        return (Untested((), why, when if case.span_s < 30 * 86400 else None),)
    if found.drift is not None and abs(found.drift.per_day) >= case.limit(ID, "drift"):
        gained = found.drift.end - found.drift.base
        least = _alarm(case, found, Level(0, found.spread / np.sqrt(5), found.spread, 5))
        if abs(gained) > max(least, 0.25 * abs(found.drift.base)):
            return (_drifting(case, found),)
    off = [p for p in found.pieces if abs(_minutes(case, found, p)) > _alarm(case, found, p.level)]
    off = [p for p in off if p.level.days >= need]
    if not off:
        one = max(found.pieces, key=lambda p: p.level.days).level
        alarm = _alarm(case, found, one)
        told = f"{one.mean:+.1f} +- {found.sigma(one):.1f} min over {one.days} days of first and last light"
        if alarm > case.limit(ID, "decides"):
            return (Untested((), f"{told}: too uncertain to decide", "more days show first and last light"),)
        return (Cleared((), told),)
    piece = max(off, key=lambda p: (p.level.days, p.stop))
    minutes = _minutes(case, found, piece)
    along = firstlight.witness(case, found, minutes, piece, _rights(case, found, piece))
    if along is not None and along.log_odds <= firstlight.AGAINST:
        told = f"{found.channel.name} shows {minutes:+.0f} min, but a clock moves all channels"
        return (Cleared((), f"{told}; {along.said}"),)
    if abs(minutes) > firstlight.ALONE and (along is None or along.log_odds < 1.0):
        told = f"{found.channel.name} alone shows {minutes:+.0f} min"
        return (Untested((), f"{told}: another channel must bear it out", "another channel shows its daily course"),)
    return (_stepped(case, found, piece, along),)


def _alarm(case: Case, found: FirstLight, level: Level) -> float:
    return max(case.limit(ID, "alarm"), case.limit(ID, "errors") * found.sigma(level))


def _rights(case: Case, found: FirstLight, piece: Piece) -> list[Piece]:
    """Other pieces, with a sound clock."""
    others = [p for p in found.pieces if p is not piece and p.level.days >= 3]
    return [p for p in others if abs(p.level.mean) <= _alarm(case, found, p.level)]


def _sound(case: Case, found: FirstLight, piece: Piece) -> Level | None:
    """The station's own past (or future) with a sound clock, where it has one."""
    return max((p.level for p in _rights(case, found, piece)), key=lambda one: one.days, default=None)


def _minutes(case: Case, found: FirstLight, piece: Piece) -> float:
    """How far a piece is off: against the station's own sound days where it has some, which know its horizon."""
    sound = _sound(case, found, piece)
    if sound is None or abs(piece.level.mean) <= _alarm(case, found, piece.level):
        return piece.level.mean
    return piece.level.mean - _own(sound)


def _own(sound: Level) -> float:
    """What the station shows with a sound clock, drawn to zero as far as few days leave it uncertain. [min]"""
    return float(np.clip(sound.mean, -3.0, 3.0)) * 2.0 / (2.0 + sound.error**2)


def _spans(case: Case, found: FirstLight, start: int, stop: int) -> tuple[Moment, Moment, tuple[Moment, Moment]]:
    """First and last stamp of some days, and between which stamps they began."""
    rows, n = found.row, len(found.row)
    last = case.last if stop >= n else case.time[rows[stop - 1]]
    if start == 0:
        return case.first, last, (case.first, case.first)
    early, late = _within_two(found, start)
    # the change may lie within the day before, or within the first day after
    rise, fall = np.nanmin(found.crossings.rise[early - 1]), np.nanmax(found.crossings.fall[late])
    us = case.time.astype("datetime64[us]").astype(np.int64)
    a, b = (int(np.clip(np.searchsorted(us, t), 0, case.rows - 1)) for t in (rise, fall))
    return case.time[rows[start]], last, (case.time[a], case.time[b])


def _border(case: Case, found: FirstLight, at: int, piece: Piece) -> int:
    """The row of a change between days `at - 1` and `at` of the series, one of which belongs to `piece`: in the middle
    of either day or of the night between, by which of last and first light are those of the piece."""
    near = np.array([d for d in range(max(at - 4, 0), min(at + 4, len(found.row))) if d not in (at - 1, at)], int)
    mine = (near >= piece.start) & (near < piece.stop)
    early, late = int(found.row[at - 1]), int(found.row[at])
    if not (mine.any() and (~mine).any()):
        return late if at == piece.start else early

    def own(crossings: Floats, day: int) -> bool:
        hour = np.nanmedian(crossings, axis=1) - found.crossings.day * 86_400e6
        return bool(abs(hour[day] - np.median(hour[near[mine]])) < abs(hour[day] - np.median(hour[near[~mine]])))

    begins = at == piece.start
    if own(found.crossings.fall, at - 1) == begins:
        return early
    return late if own(found.crossings.rise, at) != begins else (early + late) // 2


def _within_two(found: FirstLight, start: int) -> tuple[int, int]:
    """The first and last day at which the change is as good within 2 in log-likelihood (Laplace)."""
    at = next(n for n, p in enumerate(found.pieces) if p.start == start) if start in _starts(found) else -1
    if at < 1:
        return max(start, 1), start
    before, after = found.pieces[at - 1], found.pieces[at]
    b = found.spread / 1.4826
    worse = (np.abs(found.each - after.level.mean) - np.abs(found.each - before.level.mean)) / b
    back = np.cumsum(worse[before.start + 1 : start][::-1])
    ahead = np.cumsum(-worse[start : after.stop - 1])
    early = np.flatnonzero(back <= 2.0)
    late = np.flatnonzero(ahead <= 2.0)
    return start - (int(early[-1]) + 1 if len(early) else 0), start + (int(late[-1]) + 1 if len(late) else 0)


def _starts(found: FirstLight) -> set[int]:
    return {p.start for p in found.pieces}


def _torn(case: Case, onset: tuple[Moment, Moment], minutes: float) -> tuple[Moment, Moment, bool]:
    """The onset narrowed to the one place where stamps leap (or rows meet) by the same minutes, if there is one."""
    inside = np.flatnonzero((case.time > onset[0]) & (case.time <= onset[1]))
    inside = inside[inside > 0]
    if not len(inside) or onset[0] == onset[1]:
        return *onset, False
    leap = (case.time[inside] - case.time[inside - 1]).astype(np.int64) / 60e6 - case.interval_s / 60.0
    near = inside[np.abs(leap - minutes) <= max(0.1 * abs(minutes), case.interval_s / 120.0)]
    if minutes <= 0 or len(near) != 1 or minutes < case.interval_s / 60.0:
        return *onset, False
    return case.time[near[0] - 1], case.time[near[0]], True


def _clues(case: Case, found: FirstLight, minutes: float, level: Level, each: Floats) -> list[Clue]:
    sigma = found.sigma(level)
    sure = abs(minutes) / sigma
    share = float(np.mean(each * np.sign(minutes) > 0.3 * abs(minutes)))
    clues = [
        Clue("first and last light", 1.5 * (sure - 3.0), f"{minutes:+.1f} +- {sigma:.1f} min"),
        Clue("size", 2.0 * float(np.log(abs(minutes) / case.limit(ID, "alarm"))), "beyond what horizons do"),
        Clue(
            "day by day",
            min(3.0, 0.8 * level.days) if share > 0.8 else 4.0 * (share - 0.8),
            f"{100 * share:.0f} % of {level.days} days say so",
        ),
    ]
    if (high := found.odd_height) > case.limit(ID, "height"):
        clues.append(Clue("length of the day", -4.0, f"the sun stands {high:.1f} degrees off at first light: a clock "
                          "cannot do that"))  # fmt: skip
    return clues


def _kind(case: Case, found: FirstLight, piece: Piece, minutes: float, onset: tuple[Moment, Moment]) -> str:
    sigma = found.sigma(piece.level)
    off = (minutes + 7.5) % 15.0 - 7.5
    near = abs(off) <= max(3.5, 2.0 * sigma) if _hour(minutes) else abs(off) <= 1.5 and sigma < 2.0
    zone = near and abs(minutes) >= 26.0
    if zone and abs(abs(minutes) - 60.0) <= max(4.0, 2 * sigma) and len(found.pieces) > 1:
        n = len(found.row)
        edges = [_spans(case, found, s, n)[2] for s in (piece.start, piece.stop) if 0 < s < n]
        if edges and all(_rule_date(*edge, case.sky.latitude) for edge in edges):
            return "summer-time"
    return "zone" if zone else "set-by-hand"


def _hour(minutes: float) -> bool:
    """Whether the nearest quarter hour is a whole one: nearly all zones lie whole hours apart."""
    return round(minutes / 15.0) % 4 == 0


def _rule_date(first: Moment, last: Moment, latitude: float) -> bool:
    """Whether summer time begins or ends somewhere between two times: the last Sunday of March or October, the second
    of March and the first of November in the north; the first of April and October, the last of September and the
    first of September in the south (common practice: zones of Europe, America, Australia, New Zealand, Chile)."""
    days = np.arange(first.astype("datetime64[D]"), last.astype("datetime64[D]") + 1)
    sundays = days[(days.astype(np.int64) + 3) % 7 == 6]
    month = sundays.astype("datetime64[M]").astype(np.int64) % 12 + 1
    number = (sundays - sundays.astype("datetime64[M]")).astype(np.int64) // 7 + 1
    final = (sundays + 7).astype("datetime64[M]") != sundays.astype("datetime64[M]")
    north = (np.isin(month, (3, 10)) & final) | ((month == 3) & (number == 2)) | ((month == 11) & (number == 1))
    south = (np.isin(month, (4, 9, 10)) & (number == 1)) | ((month == 9) & final)
    return bool(np.any((latitude > -5.0) & north | (latitude < 5.0) & south))


def _stepped(case: Case, found: FirstLight, piece: Piece, along: firstlight.Witness | None) -> Suspect:
    minutes = _minutes(case, found, piece)
    level, sound = piece.level, _sound(case, found, piece)
    first, last, onset = _spans(case, found, piece.start, piece.stop)
    if abs(minutes) >= HALVES:
        first = case.time[_border(case, found, piece.start, piece)] if piece.start else first
        last = case.time[_border(case, found, piece.stop, piece)] if piece.stop < len(found.row) else last
    each = found.each[piece.start : piece.stop]
    clues = _clues(case, found, minutes, level, each)
    if sound is not None:
        before = f"{sound.mean:+.1f} min on {sound.days} other days"
        clues.append(Clue("own past", min(3.0, 0.5 * abs(minutes) / found.sigma(level)), before))
    if along is not None:
        clues.append(Clue("other channels", min(3.0, along.log_odds), along.said))
    kind = _kind(case, found, piece, minutes, onset)
    if piece.start and onset[0] < onset[1]:
        begin, end, torn = _torn(case, onset, minutes)
        onset = (begin, end)
        if torn:
            first = end
            clues.append(Clue("leap", 2.0, f"stamps leap by about {minutes:.0f} min at {utc_text(end)}"))
    whole = piece.start == 0 and piece.stop == len(found.row)
    sigma = found.sigma(level)
    if whole and len(found.row) > 2:  # it may have begun on the first day
        begin, end, torn = _torn(case, (case.first, case.time[found.row[1]]), minutes)
        if torn:
            first, onset, whole = end, (begin, end), False
            clues.append(Clue("leap", 2.0, f"stamps leap by about {minutes:.0f} min at {utc_text(end)}"))
    if whole or _never_right(found, minutes):
        clues.append(Clue("never right", -0.5, "since before the first row: a wrong station file is likelier then"))
        told = firstlight.usual(case, minutes, sigma)
        clues.append(Clue("how usual", told, f"{minutes:+.1f} min among clocks that were never right"))
    elif kind == "zone":
        off = (minutes + 15.0) % 30.0 - 15.0
        chance = np.log(60.0 / (sigma * np.sqrt(2 * np.pi))) - 0.5 * (off / sigma) ** 2
        clues.append(Clue("whole half hours", max(0.0, float(chance)), f"{minutes:+.1f} min"))
    exact = 15.0 * round(minutes / 15.0) if kind == "zone" else 60.0 * np.sign(minutes)
    amount = _to_the_grid(case, first, last, minutes, sigma) if kind == "set-by-hand" else float(exact)
    if piece.stop < len(found.row) and minutes < 0:  # a clock that was behind leaves a gap where it is set right
        close, _, torn = _torn(case, _spans(case, found, piece.stop, len(found.row))[2], -minutes)
        last = close if torn else last
    until = None if piece.stop == len(found.row) else last
    way = "ahead of" if minutes > 0 else "behind"
    return Suspect(
        (),
        tuple(clues),
        {"minutes": round(float(amount), 1), "kind": kind},
        f"The logger clock is {abs(amount):.0f} min {way} true time ({minutes:+.1f} +- {sigma:.1f} min from first and "
        f"last light of {found.channel.name} on {level.days} days).",
        first,
        last,
        onset,
        mend=Mend(
            "clock", (), None if first == case.first else first, until, round(float(amount)),
            uncertainty=round(sigma, 1), proposed=sigma < 3.0 or kind != "set-by-hand",
        ),
        exhibit={"found": found, "whole": whole},
    )  # fmt: skip


def _to_the_grid(case: Case, first: Moment, last: Moment, minutes: float, sigma: float) -> float:
    """The minutes that bring stamps back onto the grid of the interval, where they have left it and two and a half
    standard errors allow for it; else the minutes themselves. A logger that stamps by its own clock never leaves it."""
    if case.interval_s < 300.0:
        return minutes
    step = case.interval_s / 60.0
    rest = (case.time.astype("datetime64[us]").astype(np.int64) / 60e6) % step
    inside = (case.time >= first) & (case.time <= last)
    left = float(np.median(rest[inside]))
    strays = int((np.abs(rest[inside] - left) >= 0.01).sum()) + int((rest[~inside] != 0.0).sum())
    if left == 0.0 or strays > 0.05 * case.rows:
        return minutes
    amount = left + step * round((minutes - left) / step)
    return amount if abs(amount - minutes) <= max(2.5 * sigma, 1.0) else minutes


def _never_right(found: FirstLight, minutes: float) -> bool:
    """Whether all days are off to the same side: under wrong coordinates noon creeps with the season (judgement)."""
    return all(p.level.mean * np.sign(minutes) > 0.5 * abs(minutes) for p in found.pieces)


def _drifting(case: Case, found: FirstLight) -> Suspect:
    drift = found.drift
    assert drift is not None
    first, last, _ = _spans(case, found, drift.start, len(found.row))
    each = found.each[drift.start :] - drift.base
    level = Level(drift.end - drift.base, found.spread / np.sqrt(5.0), found.spread, len(each))
    base = drift.base if abs(drift.base) > 5.0 else 0.0
    end = drift.end - drift.base + base
    clues = [
        Clue("slope", abs(drift.per_day) / drift.error - 4.0, f"{drift.per_day:+.2f} +- {drift.error:.2f} min a day"),
        Clue("size", 2.0 * float(np.log(abs(end) / case.limit(ID, "alarm"))), f"{end:+.0f} min at the end"),
        Clue("line", 2.0, "a line tells the days better than any steps"),
    ]
    if (high := found.odd_height) > case.limit(ID, "height"):
        clues.append(Clue("length of the day", -4.0, f"the sun stands {high:.1f} degrees off at first light"))
    sigma = found.sigma(level)
    span_days = float((case.last - first) / np.timedelta64(1, "D"))
    # the mend counts from the first stamp in which the line has begun
    return Suspect(
        (),
        tuple(clues),
        {"minutes": round(end, 1), "kind": "drift"},
        f"The logger clock {'gains' if drift.per_day > 0 else 'loses'} {abs(drift.per_day):.2f} min a day and is "
        f"{abs(end):.0f} min {'ahead of' if end > 0 else 'behind'} true time at the end of {span_days:.0f} days "
        f"(first and last light of {found.channel.name}).",
        first,
        last,
        (case.first, case.first) if drift.start == 0 else _around(case, found, drift),
        mend=Mend("clock", (), first, None, round(base), per_day=drift.per_day, uncertainty=sigma, proposed=False),
        exhibit={"found": found, "whole": False},
    )


def _around(case: Case, found: FirstLight, drift: firstlight.Drift) -> tuple[Moment, Moment]:
    """A drift begins somewhere within the days that it needs to grow to two errors of a week."""
    wide = int(np.ceil(2.0 * found.spread / np.sqrt(7.0) / abs(drift.per_day)))
    a, b = max(0, drift.start - wide), min(len(found.row) - 1, drift.start + wide)
    return case.first if a == 0 else case.time[found.row[a]], case.time[found.row[b]]


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """The clock is set wrong at a random row, jumps to another zone, follows summer time, or begins to drift."""
    found = firstlight.of(case)
    if found is None or found.days < 4:
        return None
    least = {"near": (6.0, 9.0), "typical": (20.0, 55.0), "gross": (75.0, 170.0)}[grade]
    least = (least[0] + case.interval_s / 300.0, least[1] + case.interval_s / 300.0)
    sign = float(rng.choice([-1.0, 1.0]))
    kinds = ["set-by-hand"] if grade == "near" else ["set-by-hand", "zone", "summer-time", "drift"]
    kind = str(rng.choice(kinds))
    row = onset_row(case, rng)
    ahead = np.zeros(case.rows)
    changes = _changes(case)
    if kind == "summer-time" and not changes:
        kind = "zone"
    days = (case.time - case.time[row]).astype(np.int64) / 86_400e6
    if kind == "drift" and days[-1] < 21:
        kind = "set-by-hand"
    if kind == "drift":
        rate = sign * max(least) / days[-1] * (1.0 if grade == "typical" else 0.6)
        if not 0.15 <= abs(rate) <= 3.0:
            rate = sign * float(np.clip(abs(rate), 0.15, 3.0))
        ahead[row:] = np.round(rate * days[row:] * 60.0)
        minutes = rate * float(days[-1])
    elif kind == "summer-time":
        row = changes[0]
        minutes = 60.0 * sign
        ahead[row:] = minutes * 60.0
    elif kind == "zone":
        minutes = sign * (60.0 if grade == "typical" else float(rng.choice([120.0, 300.0, 480.0])))
        ahead[row:] = minutes * 60.0
    else:
        minutes = float(np.round(rng.uniform(*least)))
        while abs((minutes + 7.5) % 15.0 - 7.5) < 5.0:
            minutes += 1.0
        minutes *= sign
        ahead[row:] = minutes * 60.0
    return Injection((), case.time[row], case.last, {"minutes": round(minutes, 1), "kind": kind}, ahead_s=ahead)


def _changes(case: Case) -> list[int]:
    """Rows at which summer time of some zone begins or ends, at 1 h UTC of a last Sunday of March or October."""
    days = np.arange(case.first.astype("datetime64[D]"), case.last.astype("datetime64[D]"))
    sundays = days[(days.astype(np.int64) + 3) % 7 == 6]
    month = sundays.astype("datetime64[M]").astype(np.int64) % 12 + 1
    final = (sundays + 7).astype("datetime64[M]") != sundays.astype("datetime64[M]")
    rows = np.searchsorted(case.time, (sundays[np.isin(month, (3, 10)) & final] + np.timedelta64(1, "h")))
    room = 3 * 86400 / max(case.interval_s, 1.0)
    return [int(r) for r in rows if room < r < case.rows - room]


def picture(case: Case, suspect: Suspect) -> Figure:
    """Day by day how late first and last light are, with the levels (or the line) that were found."""
    from qc.write import picture as house

    found: FirstLight = suspect.exhibit["found"]
    figure = house.figure(3.2)
    axes = figure.add_subplot()
    days = house.days(case.time[found.row])
    alarm = case.limit(ID, "alarm")
    axes.axhspan(-alarm, alarm, color=house.NIGHT, label=f"sound: within {alarm:.0f} min")
    axes.plot(days, found.each, linestyle="none", marker=".", color=house.SOFT, label="one day")
    if found.drift is not None and suspect.evidence["kind"] == "drift":
        d = found.drift
        since = (days - days[d.start]).clip(0.0)
        axes.plot(days, d.base + d.per_day * since, color=house.SERIES[1], linewidth=1.8, label="found")
    else:
        for n, piece in enumerate(found.pieces):
            shown = slice(piece.start, piece.stop)
            level = np.full(piece.stop - piece.start, piece.level.mean)
            axes.plot(days[shown], level, color=house.SERIES[1], linewidth=1.8, label=None if n else "found")
    axes.set_ylabel("stamps late, min")
    house.time_axis(axes, case.first, case.last)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.logs.visits or ()])
    house.legend(figure, axes)
    return figure


FAULT = Fault(
    ID,
    rank="clock",
    needs=(LIGHT,),
    least_s=2 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("minutes", "kind"),
    go="remote",
    rivals={
        "stamp-side": "a clock is off by any amount and since some day, the side of stamps by one interval or half of "
        "it and always; the logger's program says which side it stamps",
        "site-facts": "the longitude in the station file against a map, the logger's display against UTC",
    },
    visits=("clock", "replaced", "disturbed"),
)
