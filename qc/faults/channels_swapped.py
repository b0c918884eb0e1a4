"""Two columns are exchanged.

Shows: two channels carry each other's numbers: humidity with the course of temperature, a gust below its mean, a dew
    point above the air.
Happened: two wires on each other's terminals, two columns exchanged in the logger's program or in the export, or two
    lines exchanged in the station file.
How sure: unlike quantities tell themselves apart in a day; sensors of one kind only where one must lie above the
    other, or moves more.
Check: compare the names row with the station file and the logger's program; warm or shade one sensor by hand and look
    which column moves; follow both cables from the sensor to the terminals with the wiring plan.
Carry: wiring plan, labels for cables, screwdriver for the terminals, a laptop with the program.
Caution: disconnect the battery before rewiring; on masts fall protection and two people, never near power lines, in
    lightning, ice or high wind; follow local codes and site rules.
Data: nothing is lost; exchange the two columns in the station file from that date on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case, Ints
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.mends import Mend, read_as
from qc.physics import exchange, fingerprints
from qc.physics.fingerprints import Print
from qc.physics.pressure import standard_pressure
from qc.physics.runs import joined, runs
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "channels-swapped"
ANY = (
    "air_temperature", "relative_humidity", "dew_point", "air_pressure", "wind_speed", "wind_gust", "wind_direction",
    "global_irradiance", "par", "precipitation", "soil_temperature", "logger_temperature", "battery_voltage",
)  # fmt: skip
"""Some channel of a station: one of these every table has."""
Model = Mapping[str, tuple[float, float, float]]

# lowest and highest usual figure of a day, and a width (judgement, held against the open stations); `rules` says more
_AIR: Model = {
    "low": (-50, 38, 6),
    "high": (-40, 52, 5),
    "spread": (0.5, 28, 4),
    "sun": (-0.3, 1, 0.25),
    "rough": (0, 0.06, 0.02),
}
_MODELS: Mapping[str, Model] = {
    "air_temperature": _AIR,
    "dew_point": {"low": (-55, 28, 5), "high": (-50, 32, 5), "spread": (0.2, 22, 4), "rough": (0, 0.08, 0.025)},
    "surface_temperature": {"low": (-55, 45, 6), "high": (-45, 70, 6), "spread": (1, 45, 6), "sun": (-0.3, 1, 0.25)},
    "soil_temperature": {"low": (-25, 40, 5), "high": (-20, 50, 5), "spread": (0, 25, 4), "rough": (0, 0.06, 0.02)},
    "logger_temperature": {"low": (-50, 45, 6), "high": (-40, 65, 6), "spread": (0.5, 45, 5), "sun": (-0.4, 1, 0.25)},
    "relative_humidity": {"low": (4, 101, 3), "high": (35, 102.5, 5), "spread": (0, 88, 8), "sun": (-1, 0.3, 0.25)},
    "wind_speed": {"least": (0, 15, 0.2), "middle": (0, 15, 3), "high": (0.2, 25, 4), "rough": (0.03, 1, 0.015)},
    "wind_gust": {"least": (0, 25, 0.2), "middle": (0, 22, 4), "high": (0.5, 40, 5), "rough": (0.03, 1, 0.015)},
    "wind_direction": {"least": (0, 360, 1), "high": (40, 360.5, 15), "most": (20, 360.5, 5), "spread": (15, 360.5, 8)},
    "global_irradiance": {"dark": (0, 10, 6), "low": (-15, 30, 6), "high": (10, 1400, 60), "sun": (0.3, 1, 0.15)},
    "diffuse_irradiance": {"dark": (0, 10, 6), "low": (-15, 30, 6), "high": (8, 750, 60), "sun": (0.3, 1, 0.15)},
    "direct_irradiance": {"dark": (0, 10, 6), "low": (-15, 30, 6), "high": (-5, 1150, 60)},
    "par": {"dark": (0, 20, 12), "low": (-30, 60, 12), "high": (20, 2900, 120), "sun": (0.3, 1, 0.15)},
    "longwave_down": {"low": (110, 460, 20), "high": (150, 540, 25), "spread": (0, 180, 20), "rough": (0, 0.2, 0.1)},
    "longwave_up": {"low": (150, 500, 20), "high": (180, 750, 30), "spread": (5, 350, 30)},
    "precipitation": {"least": (0, 0.0, 0.02), "zeros": (0.3, 1, 0.1), "high": (0, 25, 4)},
    "battery_voltage": {"low": (10.6, 14, 0.5), "high": (11.4, 15.2, 0.4), "spread": (0, 3.6, 0.5)},
    "charge_voltage": {"least": (-0.5, 40, 1), "dark": (0, 4, 1.5), "high": (6, 35, 1.5)},
}  # fmt: skip
_MOVES_AS = {
    "air_temperature": ("logger_temperature", "surface_temperature"),
    "wind_speed": ("wind_gust",),
    "wind_gust": ("wind_speed",),
}

_NOMINAL = ((4.8, 7.8), (20.0, 31.0), (40.0, 62.0))
"""Between which volts batteries of 6, 24 and 48 V keep (judgement: 2.1 to 2.5 V a cell of lead, with room)."""

_TWINS = {"air_temperature": 4.0, "relative_humidity": 15.0, "air_pressure": 4.0, "global_irradiance": 100.0}
"""How far the middles of the days of two sensors of one quantity at one place may lie apart (judgement)."""


class _Days(NamedTuple):
    """Thinned rows and the number of their days, from 0 on."""

    rows: np.ndarray
    day: np.ndarray
    days: int
    sine: Floats


class _Sign(NamedTuple):
    """What speaks for the exchange of two channels, day by day (log-likelihood): from each of the two alone, from the
    other columns that must fit them, and how well both would fit after it."""

    a: Channel
    b: Channel
    gain_a: Floats
    gain_b: Floats
    others: Floats
    after: Floats
    said: str

    @property
    def total(self) -> Floats:
        """All together."""
        return self.gain_a + self.gain_b + self.others


class _Term(NamedTuple):
    """Two places of the table whose columns must fit together: they move as one, stand at one level, or in an order."""

    kind: str
    first: int
    second: int
    said: str


def test(case: Case) -> Sequence[Outcome]:
    """Each pair of columns as it stands and exchanged: fingerprints, and how the columns fit each other."""
    able = [c for c in case.channels if np.isfinite(case.values(c)).any() and c.statistic not in ("sd", "counter")]
    able = [c for c in able if _model(case, c) is not None]
    if len(able) < 2:
        return [Untested(tuple(c.name for c in able), "needs two channels of known look with values")]
    days = _days(case)
    found = [s for sign in _signs(case, able, days) if (s := _suspect(case, days, sign))]
    found.sort(key=lambda s: (-s.log_odds, -s.exhibit["won"]))
    out: list[Outcome] = []
    taken: set[str] = set()
    for one in found:  # one suspect for each channel: the likeliest
        if not taken & set(one.channels):
            out.append(one)
            taken |= set(one.channels)
    blamed = {name for s in out if isinstance(s, Suspect) and s.log_odds > 3.0 for name in s.channels}
    rest = tuple(c.name for c in able if c.name not in blamed)
    if rest:
        out.append(Cleared(rest, f"each suits its own quantity best on {days.days} days"))
    return out


def _days(case: Case) -> _Days:
    stride = max(1, round(600.0 / max(case.interval_s, 1.0)))
    rows = np.arange(0, case.rows, stride)
    day = _number(case)[rows]
    return _Days(rows, day, int(day[-1]) + 1 if len(day) else 0, np.sin(np.radians(case.elevation[rows])))


def _number(case: Case) -> Ints:
    """Number of the day of each row, from 0 on: days of 24 h counted back from the last row, so that one is enough."""
    us = case.time.astype("datetime64[us]").astype(np.int64)
    back = np.floor_divide(us[-1:] - us, 86_400_000_000)
    return np.asarray(back.max(initial=0) - back)


def _read(case: Case, channel: Channel, place: Channel | None = None) -> Floats:
    """Values of a column as they would be read in the place of another: with the unit of that one."""
    values = case.values(channel)
    return values if place is None else read_as(values, channel, place, case.interval_s or None)


def _print(case: Case, channel: Channel, days: _Days, place: Channel | None = None) -> Print:
    if place is not None and _read(case, channel, place) is case.values(channel):
        place = None
    key = f"{ID};{channel.name};{place.unit if place else ''};{place.quantity if place else ''}"

    def make() -> Print:
        interval = case.interval_s * max(1, round(600.0 / max(case.interval_s, 1.0)))
        least = round(case.limit(ID, "share") * 86400.0 / max(interval, 1.0))
        figures = fingerprints.fingerprint(_read(case, channel, place)[days.rows], days.day, days.sine, least=least)
        if channel.quantity != "precipitation":  # a day on which it stands still tells nothing of what it is
            figures = figures._replace(middle=np.where(figures.spread > 0.0, figures.middle, np.nan))
        return figures

    return case.once(key, make)


def _model(case: Case, channel: Channel) -> Model | None:
    if channel.quantity in ("air_pressure", "sea_level_pressure"):
        here = float(standard_pressure(case.sky.elevation)) if channel.quantity == "air_pressure" else 1013.0
        return {"middle": (here - 40, here + 40, 12), "spread": (0, 35, 6)}
    if channel.quantity == "battery_voltage":
        volts = case.values(channel)
        volts = volts[np.isfinite(volts)]
        if any(np.mean((volts > low) & (volts < high)) > 0.95 for low, high in _NOMINAL if len(volts)):
            return None  # of another nominal voltage than 12 V
    model = _MODELS.get(channel.quantity)
    if model is not None and case.interval_s > 1800.0:
        model = {k: v for k, v in model.items() if k != "rough"}
    return model


def _warm(channel: Channel) -> bool:
    return channel.quantity.endswith("_temperature")


def _signs(case: Case, able: list[Channel], days: _Days) -> list[_Sign]:
    """What each pair would win by being exchanged, where there is a day on which it would."""
    n = len(able)
    suits = np.zeros((n, n, days.days))
    models = {c.quantity: m for c in able if (m := _model(case, c)) is not None}
    for i, channel in enumerate(able):
        known: dict[tuple[str, str], Floats] = {}
        for j, other in enumerate(able):
            key = (other.quantity, other.unit)
            if key not in known:
                known[key] = fingerprints.suits(_print(case, channel, days, other), models[other.quantity])
            suits[i, j] = known[key]
    terms = _terms(case, able)
    cache: dict[tuple[str, int, int, int, int], Floats] = {}

    def fit(term: _Term, i: int, k: int) -> Floats:
        key = (term.kind, term.first, term.second, i, k)
        if key not in cache:
            cache[key] = _fit(case, able, days, term, i, k)
        return cache[key]

    signs = []
    for i, j in combinations(range(n), 2):
        like = able[i].quantity == able[j].quantity or (_warm(able[i]) and _warm(able[j]))
        if like and not _ordered(case, able[i], able[j]):
            continue
        moved = {i: j, j: i}
        gain_i, gain_j = suits[i, j] - suits[i, i], suits[j, i] - suits[j, j]
        others, after = np.zeros(days.days), suits[i, j] + suits[j, i]
        said = ""
        for term in terms:
            if term.first in moved or term.second in moved:
                new = fit(term, moved.get(term.first, term.first), moved.get(term.second, term.second))
                won = new - fit(term, term.first, term.second)
                others, after = others + won, after + np.minimum(won, 0.0)
                said = term.said if term.said and {term.first, term.second} == {i, j} else said
        sign = _Sign(able[i], able[j], gain_i, gain_j, others, after, said)
        if (sign.total > case.limit(ID, "day")).any():
            signs.append(sign)
    return signs


def _terms(case: Case, able: list[Channel]) -> list[_Term]:
    """What must fit together in this table."""
    terms = []
    for j, place in enumerate(able):
        mates = [k for k, c in enumerate(able) if c.quantity in _MOVES_AS.get(place.quantity, ()) and k != j]
        terms += [_Term("moves", j, k, "") for k in mates[:1]]
        group = next((g for g in case.scene.together(place.quantity) if place in g), [])
        twins = [k for k, c in enumerate(able) if c in group and k != j and place.quantity in _TWINS]
        terms += [_Term("level", j, k, "") for k in twins[:1]]
        for k, other in enumerate(able):
            rule = _order(case, place, other) if k != j else None
            if rule is not None:
                terms.append(_Term("order", j, k, rule[2]))
    return terms


def _fit(case: Case, able: list[Channel], days: _Days, term: _Term, i: int, k: int) -> Floats:
    """Log-likelihood of each day with column `i` in the term's first place and column `k` in its second."""
    places = ((i, able[term.first]), (k, able[term.second]))
    if term.kind == "level":
        far = _TWINS[able[term.first].quantity]
        middles = [_print(case, able[c], days, place).middle for c, place in places]
        beyond = np.fmax(np.abs(middles[0] - middles[1]) / far - 1.0, 0.0)
    else:
        x, y = (_read(case, able[c], place)[days.rows] for c, place in places)
        if term.kind == "moves":
            if case.interval_s <= 900.0 and all(place.quantity.startswith("wind_") for _, place in places):
                x, y = _steps(x), _steps(y)  # the daily course is no witness
                x = np.where(np.diff(days.day, prepend=-1) > 0, np.nan, x)  # an exchange may begin with the day
            alike = fingerprints.day_correlation(x, y, days.day, days.days)
            beyond = np.fmax(case.limit(ID, "moves") - alike, 0.0) / case.limit(ID, "moves-width")
        else:
            wrong, counted, _ = _order(case, able[term.first], able[term.second]) or (None, None, "")
            assert wrong is not None and counted is not None
            share = _share(wrong(x, y), counted(x, y) & np.isfinite(x + y), days)
            if able[term.second].quantity in ("global_irradiance", "par"):  # a dead column is in no order
                lit = [_print(case, able[c], days, place).high > 60.0 for c, place in places]
                share = np.where(lit[0] & lit[1], share, np.nan)
            beyond = np.fmax(share - 0.2, 0.0) / case.limit(ID, "order-width")
    return -np.minimum(0.5 * np.nan_to_num(beyond) ** 2, fingerprints.MOST)


def _steps(x: Floats) -> Floats:
    """Changes from row to row; those beyond 19 of 20 count as the largest of the others: a glitch of the supply."""
    change = np.diff(x, prepend=np.nan)
    there = np.abs(change[np.isfinite(change)])
    most = float(np.quantile(there, 0.95)) if len(there) else 0.0
    return np.clip(change, -most, most) if most > 0.0 else change


def _ordered(case: Case, a: Channel, b: Channel) -> bool:
    """Whether the two are told apart by which must lie above the other."""
    return _order(case, a, b) is not None or _order(case, b, a) is not None


def _share(wrong: Bools, counted: Bools, days: _Days) -> Floats:
    """Share of the counted rows of each day in which the order is wrong; NaN where six do not count."""
    n = np.bincount(days.day[counted], minlength=days.days)
    share = np.bincount(days.day[counted & wrong], minlength=days.days) / np.maximum(n, 1)
    return np.where(n >= 6, share, np.nan)


def _order(case: Case, low: Channel, high: Channel):  # type: ignore[no-untyped-def]
    """For two channels that should lie in this order: (out of order?, rows that count, in words); None if none."""
    q = (low.quantity, high.quantity)
    plain = ("max", "min", "sd")
    if q == ("wind_speed", "wind_gust") and high.statistic in ("max", None) and low.statistic not in plain:
        return (lambda x, y: y < x), (lambda x, y: np.maximum(x, y) > 0.5), "the gust lies below its mean"
    if q == ("dew_point", "air_temperature") and low.statistic not in plain and high.statistic not in plain:
        return (lambda x, y: x > y), (lambda x, y: np.abs(x - y) > 0.15), "the dew point lies above the air temperature"
    if q[0] == q[1] and low.height == high.height:
        order = ("min", "mean", "max")
        if (
            low.statistic in order
            and high.statistic in order
            and order.index(low.statistic) < order.index(high.statistic)
        ):
            return (lambda x, y: x > y), (lambda x, y: x != y), "minima lie above maxima"
    if q == ("global_irradiance", "par"):
        return (
            (lambda x, y: y < 0.75 * x),
            (lambda x, y: np.maximum(x, y) > 60.0),
            "PAR is half of the irradiance, not twice",
        )
    if q == ("direct_irradiance", "global_irradiance"):
        # under clouds the beam is gone and the light is not; under the lowest sun the level still shows 6 % of the beam
        wrong = "a beam without light on the level"
        return (lambda x, y: (x > 60.0) & (y < 0.06 * x)), (lambda x, y: np.maximum(x, y) > 60.0), wrong
    if q == ("diffuse_irradiance", "global_irradiance"):
        return (
            (lambda x, y: x > 1.1 * y + 5.0),
            (lambda x, y: np.maximum(x, y) > 30.0),
            "the diffuse light exceeds all light",
        )
    if q == ("wind_speed", "wind_speed") and low.height and high.height and high.height > 1.5 * low.height:
        return (lambda x, y: x > y), (lambda x, y: np.maximum(x, y) > 2.0), "the lower wind is the stronger"
    return None


def _suspect(case: Case, days: _Days, sign: _Sign) -> Suspect | None:
    """The stretch of days that speaks most for the exchange, one odd day in between allowed."""
    total = sign.total
    index = np.flatnonzero(np.abs(total) > 0.5)  # days that tell
    whole = sign.after[index] > 4.0 * case.limit(ID, "after")  # a day with both halves fits neither way
    stretch = joined(runs((total[index] > case.limit(ID, "day")) & whole), 1)
    if not len(stretch.start):
        return None
    best = int(np.argmax([total[index[a:b]].sum() for a, b in zip(*stretch, strict=True)]))
    first, last = int(stretch.start[best]), int(stretch.stop[best]) - 1
    chosen = index[first : last + 1]
    count = len(chosen)
    means = [float(np.mean(g[chosen])) for g in (sign.gain_a, sign.gain_b, sign.others, sign.after)]
    if means[3] < case.limit(ID, "after") or count < 0.2 * (chosen[-1] - chosen[0] + 1):
        return None
    a, b = sign.a.name, sign.b.name
    alike = bool(sign.said)
    few = count < case.limit(ID, "alone") and min(means[:2]) < 0.3 and sum(means[:2]) < 8.0 and not alike
    odd = min(means[:2]) < (-1.0 if alike else -0.3)
    weak = few or odd or (not alike and means[0] + means[1] < case.limit(ID, "own"))
    if weak and (alike or min(means[:2]) < -2.0):
        return None  # one of the two alone is no witness of an exchange
    more = 0.7 + 0.3 * count
    clues = [
        Clue(a, means[0] * more, f"{a} looks like {_word(sign.b)}"),
        Clue(b, means[1] * more, f"{b} looks like {_word(sign.a)}"),
        Clue("others", means[2] * more, sign.said or "with the columns that must fit them"),
        Clue("both", 1.5 if means[3] > -0.5 and sum(means[:3]) > 8.0 else 0.0, "exchanged, both suit their quantities"),
        Clue("days", min(np.log(count) + 0.5, 3.0), f"on {count} days"),
    ]
    span = _borders(case, sign, index, first, last)
    over = max((min(p) for p in (span.past, span.pace) if p is not None), default=0.0)
    taken = span.crossed or over >= case.limit(ID, "taken-over")
    seconded = not few and not odd and means[2] >= case.limit(ID, "others")
    if weak and not taken and not seconded:
        return None  # nor is the look of both, unless each goes on where the other was, or two beside them tell
    if alike and _broken(case, sign, span):
        return None
    if not alike and not span.crossed and span.past is not None and over < case.limit(ID, "stayed"):
        return None  # one of the two goes on as it was
    if sign.b.quantity in _MOVES_AS.get(sign.a.quantity, ()):
        x, y = case.values(sign.a)[days.rows], case.values(sign.b)[days.rows]
        together = fingerprints.day_correlation(x, y, days.day, days.days)[chosen]
        if float(np.median(np.nan_to_num(together))) < case.limit(ID, "moves"):
            return None  # one of the two holds something else, which no exchange of both explains
    always = span.first == 0
    begin, end = case.time[span.first], case.time[span.last]
    onset = (case.first, case.first) if always else span.onset
    since = "from the first row on" if always else f"from {str(begin)[:16].replace('T', ' ')} UTC on"
    what = f"{sign.said} on {count} days" if alike else f"{a} looks like {_word(sign.b)} and {b} like {_word(sign.a)}"
    beside = np.delete(total, np.arange(max(chosen[0] - 1, 0), min(chosen[-1] + 2, days.days)))
    alone = not (beside > case.limit(ID, "day")).any()  # what it leaves exchanged would mislead the tests that follow
    least = None
    if span.crossed:
        clues.append(Clue("past", 3.0, "within one row each goes on where the other stood"))
    elif span.past is not None:  # what moves as one, windier weather moves as one: only the difference tells
        least = sum(span.past) / 2.0 if alike else over
        said = "each goes on as the other did before" if least > 0 else "one goes on as it was"
        odds = float(np.interp(least, [-0.3, 0.0, 0.3, 0.8], [-4.0, -0.5, 1.0, 1.0 if alike else 3.0]))
        clues.append(Clue("past", odds, said))
    if alike and not always and not span.crossed:
        leapt = _leapt(case, sign, span.onset)
        clues += [leapt] if leapt is not None else []
    gusty = _gusty(case, sign, span) if alike else None
    clues += [gusty] if gusty is not None else []
    return Suspect(
        (a, b),
        tuple(clues),
        {"pair": [a, b]},
        f"{a} and {b} are exchanged {since}: {what}.",
        begin,
        end,
        onset,
        mend=Mend(
            "swap", (a, b), None if always else begin, None if end == case.last else end,
            proposed=span.sharp and alone and (least is None or least > 0.0),
        ),
        exhibit={"day": int(chosen[0]), "days": count, "won": float(total[chosen].sum())},
    )  # fmt: skip


def _word(channel: Channel) -> str:
    return channel.quantity.replace("_", " ")


class _Stretch(NamedTuple):
    """First and last row of an exchange, the stamps between which it began, whether both ends are known to about a
    row, whether each column lies as the other did beside it (1) or as it did itself (-1), and moves so from row to row;
    None: no past; and whether each goes on from one row to the next where the other stood."""

    first: int
    last: int
    onset: tuple[np.datetime64, np.datetime64]
    sharp: bool
    past: tuple[float, float] | None
    pace: tuple[float, float] | None
    crossed: bool


def _borders(case: Case, sign: _Sign, index: np.ndarray, first: int, last: int) -> _Stretch:
    """The rows of an exchange that telling days `index[first]` to `index[last]` show.

    Looked for from the telling day before to the first that shows it, and from the last to the telling day after; what
    the values look like is learnt from the days outside and between.
    """
    number = _number(case)
    begin, end = int(index[first]), int(index[last])
    before = int(index[first - 1]) if first else 0
    after = int(index[last + 1]) if last + 1 < len(index) else int(number[-1])
    # in the unit of one of them each holds just what the other held
    a, b = case.values(sign.a), _read(case, sign.b, sign.a)
    inner = (number > begin) & (number < end) if end - begin > 1 else (number >= begin) & (number <= end)
    clean = (number < begin - 1) | (number > end + 1)
    known, past, pace = exchange.pair(a, b, clean, inner), None, None
    if np.isfinite(a[clean]).any() and np.isfinite(b[clean]).any():
        past = exchange.taken_over(a[inner], a[clean], b[clean]), exchange.taken_over(b[inner], b[clean], a[clean])
        inside = inner & np.append(False, inner[:-1])  # not the step to the exchange
        x, y = (np.log(np.abs(np.diff(v, prepend=np.nan)) + 0.01 * step) for v, step in zip(
            (a, b), (known.step_first, known.step_second), strict=True
        ))  # fmt: skip
        pace = exchange.taken_over(x[inside], x[clean], y[clean]), exchange.taken_over(y[inside], y[clean], x[clean])
    more = _disorder(sign, case)
    stop = int(np.searchsorted(number, begin, "right"))
    rows = slice(int(np.searchsorted(number, before)), stop)
    on = exchange.border(a[rows], b[rows], known, case.interval_s, more[rows])
    start, early, late = (min(rows.start + k, stop - 1) for k in on)
    rows = slice(int(np.searchsorted(number, end)), int(np.searchsorted(number, after, "right")))
    off = exchange.border(a[rows][::-1], b[rows][::-1], known, case.interval_s, more[rows][::-1])
    close, latest, soonest = (max(rows.stop - 1 - k, rows.start) for k in off)
    near = max(2, round(600.0 / max(case.interval_s, 1.0)))
    onset = (case.time[early - 1] if early else case.first), case.time[late]
    sharp = late - early <= near and latest - soonest <= near
    return _Stretch(start, max(close, start), onset, sharp, past, pace, _crossed(case, a, b, known, start))


def _crossed(case: Case, a: Floats, b: Floats, known: exchange.Pair, row: int) -> bool:
    """Whether two columns that go on smoothly leap in one row, each to where the other stood: no other fault does."""
    if row < 1 or not case.consecutive[row]:
        return False
    apart = abs(a[row - 1] - b[row - 1])
    miss = max(abs(b[row] - a[row - 1]), abs(a[row] - b[row - 1]))
    step = max(known.step_first, known.step_second)
    return bool(apart > case.limit(ID, "crossing") * step and miss < 0.2 * apart)


def _broken(case: Case, sign: _Sign, span: _Stretch) -> bool:
    """Whether wind and gust, or dew point and air, lie in the wrong order after the exchange too, now and then: no gust
    is below its mean and no dew point above the air, but a wind in miles an hour is below a high gust in light air."""
    straight = _order(case, sign.a, sign.b)
    low, high = (sign.a, sign.b) if straight else (sign.b, sign.a)
    rule = straight or _order(case, sign.b, sign.a)
    if rule is None or low.quantity not in ("wind_speed", "dew_point") or high.quantity == low.quantity:
        return False
    rows = slice(span.first, span.last + 1)
    x, y = _read(case, high, low)[rows], _read(case, low, high)[rows]
    counted = rule[1](x, y) & np.isfinite(x + y)
    wrong = int((counted & rule[0](x, y)).sum())
    return bool(wrong >= 5 and wrong > case.limit(ID, "broken") * counted.sum())


def _gusty(case: Case, sign: _Sign, span: _Stretch) -> Clue | None:
    """Whether gusts exceed the mean after the exchange by as much as before, or as usual; None for others than wind."""
    low, high = (sign.a, sign.b) if sign.a.quantity == "wind_speed" else (sign.b, sign.a)
    if (low.quantity, high.quantity) != ("wind_speed", "wind_gust"):
        return None
    x, y = case.values(low), case.values(high)
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(np.minimum(x, y) > 1.0, np.log(np.maximum(y, 0.1) / np.maximum(x, 0.1)), np.nan)
    now, past = -factor[span.first : span.last + 1], factor[: span.first]
    if np.isfinite(now).sum() < 20:
        return None
    known = np.isfinite(past).sum() >= 20
    usual = float(np.nanmedian(past)) if known else float(np.log(1.6))
    off = float(np.nanmedian(now)) - usual
    told = (
        f"gusts of {np.exp(off + usual):.2f} times the mean then, {np.exp(usual):.2f} {'before' if known else 'usual'}"
    )
    return Clue("gusts", 1.0 - 0.5 * (off / case.limit(ID, "gusts" if known else "gusts-alone")) ** 2, told)


def _leapt(case: Case, sign: _Sign, onset: tuple[np.datetime64, np.datetime64]) -> Clue | None:
    """Whether both columns leap where it begins, each to where the other stood: a wrong unit or offset moves one.

    For mean wind and gust (logarithms), and for temperature and dew point; None for others, or without values."""
    wind = sign.a.quantity.startswith("wind")
    if not wind and not (_warm(sign.a) or _warm(sign.b)):
        return None
    near = max(3, round(3600.0 / max(case.interval_s, 1.0)))
    a, b = int(np.searchsorted(case.time, onset[0], "right")), int(np.searchsorted(case.time, onset[1]))
    parts = slice(max(0, a - near), a), slice(b, b + near)
    levels = []
    for channel in (sign.a, sign.b):
        x = _read(case, channel)
        x = np.log(np.maximum(x, 0.1)) if wind else x
        if any(np.isfinite(x[p]).sum() < 2 for p in parts):
            return None
        levels.append([float(np.nanmedian(x[p])) for p in parts])
    apart = levels[1][0] - levels[0][0]
    moved = [after - before for before, after in levels]
    sigma = case.limit(ID, "leap-log" if wind else "leap")
    crossed = (moved[0] - apart) ** 2 + (moved[1] + apart) ** 2
    alone = min(moved[0] ** 2, moved[1] ** 2)  # the other of the two did not move
    odds = (alone - crossed / 2.0) / 2.0 / sigma**2
    told = f"{sign.a.name} leaps by {moved[0]:+.2g}, {sign.b.name} by {moved[1]:+.2g}"
    return Clue("leap", float(np.clip(odds, -4.0, 2.0)), told + (" (ln)" if wind else " K"))


def _disorder(sign: _Sign, case: Case) -> Floats:
    """Log-likelihood of each row for the exchange, from which of the two must lie above the other; 0 if neither."""
    straight = _order(case, sign.a, sign.b)
    rule = straight or _order(case, sign.b, sign.a)
    if rule is None:
        return np.zeros(case.rows)
    low, high = (sign.a, sign.b) if straight else (sign.b, sign.a)
    x, y = case.values(low), case.values(high)
    return np.where(rule[1](x, y), np.where(rule[0](x, y), 3.0, -3.0), 0.0)


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Two columns exchanged from a random row on: of one kind (near), of any (typical), of unlike scale (gross).

    Only such as look like their quantity on most days, by half of what the test allows two columns after an exchange.
    """
    days = _days(case)
    able = [
        c for c in case.channels if np.isfinite(case.values(c)).mean() > 0.3 and c.statistic not in ("sd", "counter")
    ]
    known = [c for c in able if _looks(case, c, days) and c.quantity != "precipitation"]
    pairs = [(a, b) for a, b in combinations(known, 2) if a.quantity != b.quantity and not (_warm(a) and _warm(b))]
    alike = [p for p in pairs if _ordered(case, *p)]
    scale = {c.name: float(np.nanmedian(np.abs(case.values(c)))) + 1.0 for c in known}
    far = [
        p for p in pairs
        if max(scale[p[0].name], scale[p[1].name]) > 3.0 * min(scale[p[0].name], scale[p[1].name]) and p not in alike
    ]  # fmt: skip
    choice = {"near": alike or pairs, "typical": [p for p in pairs if p not in alike] or pairs, "gross": far}[grade]
    if not choice or days.days < 2:
        return None
    a, b = choice[int(rng.integers(len(choice)))]
    row = onset_row(case, rng)
    x, y = case.values(a).copy(), case.values(b).copy()
    x[row:], y[row:] = case.values(b)[row:], case.values(a)[row:]
    return Injection((a.name, b.name), case.time[row], case.last, {"pair": [a.name, b.name]}, {a.name: x, b.name: y})


def _looks(case: Case, channel: Channel, days: _Days) -> bool:
    """Whether a column looks like its quantity on most days: what does not, no one knows again in another place."""
    model = _model(case, channel)
    if model is None:
        return False
    suits = fingerprints.suits(_print(case, channel, days), model)
    return bool(np.isfinite(suits).any() and np.nanmedian(suits) > 0.5 * case.limit(ID, "after"))


def picture(case: Case, suspect: Suspect) -> Figure:
    """A small fingerprint of every column: its values by local solar hour, day by day; the pair in colour."""
    from qc.write import picture as house

    days = _days(case)
    shown = [c for c in case.channels if np.isfinite(case.values(c)[days.rows]).any()]
    shown.sort(key=lambda c: c.name not in suspect.channels)
    shown = shown[:16]
    wide = 4
    high = -(-len(shown) // wide)
    figure = house.figure(1.35 * high + 0.5)
    axes = figure.subplots(high, wide, sharex=True, squeeze=False).ravel()
    count = min(int(suspect.exhibit["days"]), 20)
    first = int(suspect.exhibit["day"])
    keep = (days.day >= first) & (days.day < first + max(count, 1))
    for panel, channel in zip(axes, shown, strict=False):
        x, hour = case.values(channel)[days.rows][keep], case.solar_hour[days.rows][keep]
        mine = channel.name in suspect.channels
        panel.plot(hour, x, ".", markersize=1.6, color=house.SERIES[1] if mine else house.SOFT)
        panel.set_title(house.label(channel.name, 18), color=house.SERIES[1] if mine else house.INK)
        panel.set_xlim(0, 24)
        panel.set_xticks([0, 6, 12, 18, 24])
        panel.tick_params(labelsize=6.5)
    for panel in axes[len(shown) :]:
        panel.set_visible(False)
    figure.supxlabel("local solar hour; each dot is a value of the days that show it", fontsize=8)
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(ANY,),
    least_s=20 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("pair",),
    go="remote",
    rivals={
        "channel-open": "whether the numbers follow the weather at all",
        "channels-copied": "whether the two differ",
        "unit-wrong": "whether one channel alone is wrong",
    },
    visits=("disturbed", "replaced", "moved"),
)
