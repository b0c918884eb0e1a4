"""Pictures: matplotlib set up in one place, so that the same numbers give the same bytes on every machine.

Figures are made and saved within `house()`: settings of the machine have no say, texts are never read as formulas, no
window is ever opened. Times go along the axis in UTC; a second axis shows the logger clock.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.verdicts import CHANGED, DOUBTFUL, ESTIMATED, GOOD, INCONSISTENT, MISSING, NOT_CHECKED, WORDS, WRONG
from qc.write.page import COLOURS as COLOURS
from qc.write.page import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]
Bools = NDArray[np.bool_]

INK, SOFT, LINE, PAPER, NIGHT = "#1d2321", "#58625d", "#d5d4cb", "#ffffff", "#e9ebf1"
SERIES: Final[tuple[str, ...]] = ("#235c4f", "#b0562a", "#3d5a98", "#7a6a1f", "#6b4a78", "#4a4f52")
"""Colours of lines that are no verdicts, in this order."""

MARKS: Final = {
    GOOD: ".",
    INCONSISTENT: "^",
    DOUBTFUL: "D",
    WRONG: "X",
    NOT_CHECKED: ".",
    CHANGED: "s",
    ESTIMATED: "o",
    MISSING: "|",
}
"""Sign of each verdict: it tells them apart where colour does not."""

COLUMNS = 860
"""Columns of picture elements that a line is reduced to: about as many as the axes of a wide picture have."""

DPI = 150
WIDTH = 7.4  # inches: A4 less its margins
_SETTINGS: Final[Any] = {
    "axes.edgecolor": SOFT,
    "axes.facecolor": PAPER,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.labelcolor": INK,
    "axes.labelsize": 9,
    "axes.linewidth": 0.7,
    "axes.prop_cycle": None,  # filled in below, needs matplotlib
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.unicode_minus": True,
    "figure.dpi": DPI,
    "figure.facecolor": PAPER,
    "font.family": ["DejaVu Sans"],
    "font.size": 9,
    "grid.color": LINE,
    "grid.linewidth": 0.5,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "lines.linewidth": 1.0,
    "savefig.dpi": DPI,
    "svg.fonttype": "path",
    "svg.hashsalt": "fairvane",
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": SOFT,
    "xtick.labelcolor": INK,
    "xtick.labelsize": 8,
    "ytick.color": SOFT,
    "ytick.labelcolor": INK,
    "ytick.labelsize": 8,
}
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_lock = threading.RLock()
_inside = threading.local()


@contextmanager
def house() -> Iterator[None]:
    """Within it pictures are made and saved, with the house's settings and no others; one thread at a time.

    It may stand within itself, which costs nothing.
    """
    if getattr(_inside, "house", False):
        yield
        return
    _load()
    import matplotlib
    from cycler import cycler

    with _lock, matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS | {"axes.prop_cycle": cycler(color=list(SERIES))})
        _inside.house = True
        try:
            yield
        finally:
            _inside.house = False


@cache
def _load() -> None:
    """Load matplotlib without a word: it tells where its list of fonts is new, or cannot be kept."""
    logger = logging.getLogger("matplotlib")
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        import matplotlib.font_manager  # noqa: F401
    finally:
        logger.setLevel(level)


def figure(height: float, width: float = WIDTH) -> Figure:
    """An empty figure, inches, that lays out its axes itself; call it within `house()`."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def framed(
    height: float, *, left: float = 0.75, right: float = 0.15, top: float = 0.15, bottom: float = 0.8
) -> tuple[Figure, Axes]:
    """A figure with one axes and margins in inches: half the time of `figure`, which measures every text."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(WIDTH, height))
    wide, high = WIDTH - left - right, height - top - bottom
    return drawn, drawn.add_axes((left / WIDTH, bottom / height, wide / WIDTH, high / height))


def png(drawn: Figure) -> bytes:
    """A figure as PNG, its colours in a table of 128: a third of the size; the same bytes for the same drawing."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    with house():
        canvas = FigureCanvasAgg(drawn)
        canvas.draw()  # type: ignore[no-untyped-call]
        pixels = Image.fromarray(np.asarray(canvas.buffer_rgba()))  # type: ignore[no-untyped-call]
    few = pixels.convert("RGB").quantize(128, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    out = BytesIO()
    few.save(out, "PNG", compress_level=6)
    return out.getvalue()


def svg(drawn: Figure) -> bytes:
    """A figure as SVG, letters as paths; for small drawings only (it grows with every point)."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with house():
        out = BytesIO()
        metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        FigureCanvasSVG(drawn).print_figure(out, format="svg", metadata=metadata)
        return out.getvalue()


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    with house():
        return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def label(text: object, longest: int = 44) -> str:
    """Text for a picture: cut, and with `·` for what the house's font cannot draw."""
    return "".join(c if ord(c) in _glyphs() else "·" for c in clean(text, longest))


def days(time: Times | np.datetime64) -> Floats:
    """Times as the axes of pictures count them: days since 1970 (a double keeps a millisecond of today)."""
    return np.asarray(np.asarray(time).astype("datetime64[us]").astype(np.int64) / 86_400e6)


# ---- many values in few


class Envelope(NamedTuple):
    """What a record looks like in columns: the middle of each column that has values, its lowest and highest."""

    time: Times
    low: Floats
    high: Floats


def envelope(
    time: Times, values: Floats, first: np.datetime64, last: np.datetime64, columns: int = COLUMNS
) -> Envelope:
    """A record reduced to columns of equal time: no peak is lost, and nothing drawn that an eye could not see.

    `time` rises; values that are NaN do not count.
    """
    begin, end = (int(t.astype("datetime64[us]").astype(np.int64)) for t in (first, last))
    width = max(end - begin, 1) / columns
    good = np.isfinite(values)
    at = time[good].astype("datetime64[us]").astype(np.int64)
    column = np.clip(((at - begin) / width).astype(np.int64), 0, columns - 1)
    if not len(at):
        return Envelope(time[:0].astype("datetime64[us]"), values[:0], values[:0])
    starts = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1))
    middle = (begin + (column[starts] + 0.5) * width).astype(np.int64).astype("datetime64[us]")
    kept = values[good]
    return Envelope(middle, np.minimum.reduceat(kept, starts), np.maximum.reduceat(kept, starts))


def stroke(time: Times, values: Floats, *, gap: np.timedelta64, columns: int = COLUMNS) -> tuple[Floats, Floats]:
    """The points of a line through a record: days since 1970 and values, NaN where nothing is known for longer than
    `gap`. A long record goes up and down between the lowest and highest of each column."""
    good = np.isfinite(values)
    time, values = time[good].astype("datetime64[us]"), values[good]
    if len(time) > 2 * columns:
        reduced = envelope(time, values, time[0], time[-1], columns)
        width = np.timedelta64(int((time[-1] - time[0]).astype(np.int64) * 2 / columns), "us")
        gap = max(gap, width)
        time = np.repeat(reduced.time, 2)
        values = np.column_stack((reduced.low, reduced.high)).ravel()
    breaks = np.flatnonzero(np.diff(time) > gap) + 1
    return days(np.insert(time, breaks, time[breaks])), np.insert(values, breaks, np.nan)


def line(
    axes: Axes, time: Times, values: Floats, *, gap: np.timedelta64, color: str = SERIES[0], label: str | None = None
) -> None:
    """A record as a line, as `stroke` gives it; a value that stands alone as a dot."""
    x, y = stroke(time, values, gap=gap)
    alone = np.isfinite(y) & ~np.isfinite(np.append(y[1:], np.nan)) & ~np.isfinite(np.append(np.nan, y[:-1]))
    axes.plot(x, y, color=color, linewidth=0.9, label=label)
    if alone.any():
        axes.plot(x[alone], y[alone], color=color, linestyle="none", marker=".", markersize=3)


def flagged(
    axes: Axes, time: Times, values: Floats, codes: NDArray[np.uint8], first: np.datetime64, last: np.datetime64
) -> dict[int, int]:
    """Signs on the values that are not good, in the colours of their verdicts: lowest and highest of each column.

    Gives how many values have each verdict that was drawn.
    """
    drawn: dict[int, int] = {}
    for code in (INCONSISTENT, ESTIMATED, CHANGED, DOUBTFUL, WRONG):
        here = (codes == code) & np.isfinite(values)
        if not here.any():
            continue
        drawn[code] = int(here.sum())
        few = envelope(time[here], values[here], first, last, COLUMNS // 2)
        both = few.low != few.high
        x = days(np.concatenate((few.time, few.time[both])))
        y = np.concatenate((few.low, few.high[both]))
        axes.plot(
            x, y, linestyle="none", marker=MARKS[code], markersize=4.2, color=COLOURS[code], markeredgecolor=INK,
            markeredgewidth=0.35, label=word(code), zorder=3,
        )  # fmt: skip
    return drawn


def word(code: int) -> str:
    """A verdict in a legend: code and word."""
    return f"{code} {WORDS[code].replace('_', ' ')}"


# ---- time along the axis


def ticks(first: np.datetime64, last: np.datetime64, most: int = 9) -> tuple[Times, list[str]]:
    """Round moments between two times, and what stands at them; months in English whatever the machine speaks."""
    first, last = first.astype("datetime64[us]"), last.astype("datetime64[us]")
    hours = (last - first) / np.timedelta64(1, "h")
    for step in (1, 2, 3, 6, 12):
        if hours / step <= most:
            start = np.datetime64(first.astype("datetime64[D]"), "h")
            at = _within(np.arange(start, last.astype("datetime64[h]") + 1, np.timedelta64(step, "h")), first, last)
            return at, _hours(at)
    for number in (1, 2, 5, 10):
        if hours / 24 / number <= most:
            at = np.arange(first.astype("datetime64[D]"), last.astype("datetime64[D]") + 1)
            day = (at - at.astype("datetime64[M]")).astype(np.int64)  # of the month, from 0
            at = _within(at[(day % number == 0) & ((day <= 30 - number) | (number == 1))], first, last)
            return at, _dated([_words(t)[0] for t in at], [" ".join(_words(t)[1:]) for t in at], "1")
    months = np.arange(first.astype("datetime64[M]"), last.astype("datetime64[M]") + 1)
    for every in (1, 2, 3, 6, 12, 24, 60, 120):
        at = _within(months[months.astype(np.int64) % every == 0], first, last)
        if len(at) <= most + 4:
            break
    return at, _dated([_words(t)[1] for t in at], [_words(t)[2] for t in at], "Jan")


def _within(at: Times, first: np.datetime64, last: np.datetime64) -> Times:
    at = at.astype("datetime64[us]")
    kept: Times = at[(at >= first) & (at <= last)]
    return kept


def _words(t: np.datetime64) -> tuple[str, str, str]:
    """Day, month and year."""
    year, month, day = str(t.astype("datetime64[D]")).split("-")
    return str(int(day)), MONTHS[int(month) - 1], year


def _dated(words: Sequence[str], below: Sequence[str], turn: str) -> list[str]:
    """What is greater stands below the first word, and below each at which it turns; never below two in a row."""
    out = []
    for n, word in enumerate(words):
        soon = n == 0 and len(words) > 1 and words[1] == turn != word
        out.append(f"{word}\n{below[n]}" if (n == 0 or word == turn) and not soon else word)
    return out


def _hours(at: Times) -> list[str]:
    """Hours, with the day below the first and below midnight; the year once."""
    words = [str(t.astype("datetime64[m]"))[11:16] for t in at]
    told = _dated(words, [" ".join(_words(t)[:2]) for t in at], "00:00")
    year = next((n for n, word in enumerate(told) if "\n" in word), None)
    return [f"{word} {_words(t)[2]}" if n == year else word for n, (word, t) in enumerate(zip(told, at, strict=True))]


def time_axis(
    axes: Axes,
    first: np.datetime64,
    last: np.datetime64,
    *,
    clock: Callable[[Times], Times] | None = None,
    clock_name: str = "logger clock",
    named: bool = True,
) -> None:
    """Times in UTC below, without a word at the very end; above, where `clock` turns UTC into the logger clock, what
    that clock showed.

    Call it after the values were drawn: it sets the limits.
    """
    first, last = first.astype("datetime64[us]"), last.astype("datetime64[us]")
    if first == last:
        first, last = first - np.timedelta64(30, "m"), last + np.timedelta64(30, "m")
    at, told = ticks(first, last)
    told = [word if t < last - (last - first) // 100 else "" for t, word in zip(at, told, strict=True)]
    axes.set_xlim(float(days(first)), float(days(last)))
    axes.set_xticks(days(at), told)
    if named:
        axes.set_xlabel("UTC")
    if clock is None:
        return
    local = clock(np.array([first, last]))
    shown, words = ticks(local[0], local[1])
    steps = np.arange(first, last + np.timedelta64(1, "m"), max((last - first) // 20000, np.timedelta64(1, "m")))
    of_steps = clock(steps)
    place = np.minimum(np.searchsorted(of_steps, shown), len(steps) - 1)
    exact = steps[place] + (shown - of_steps[place])
    upper = axes.twiny()
    upper.set_xlim(axes.get_xlim())
    upper.set_xticks(days(exact), words)
    upper.set_xlabel(label(clock_name))
    upper.spines["top"].set_visible(True)
    upper.grid(False)


def night_shading(axes: Axes, time: Times, sun_elevation: Floats, below: float = -0.833) -> int:
    """Nights in a pale colour: `sun_elevation`, degrees, at rising times (-0.833 is sunset: refraction and half the
    sun's disc, common practice). Gives how many nights were drawn."""
    dark = sun_elevation < below
    edges = np.flatnonzero(np.diff(np.concatenate(([False], dark, [False])).astype(np.int8)))
    at = days(time)
    spans = [(float(at[a]), float(at[min(b, len(at) - 1)])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    for start, end in spans:
        axes.axvspan(start, end, color=NIGHT, linewidth=0, zorder=0)
    return len(spans)


def visits(
    axes: Axes,
    spans: Iterable[tuple[np.datetime64, np.datetime64, str]],
    *,
    whole: bool = False,
    color: str = SERIES[4],
) -> int:
    """Visits as bars along the upper edge (or over the `whole` height, pale), each at least wide enough to be seen.

    Gives how many lie on the axis. Call it after `time_axis`.
    """
    left, right = axes.get_xlim()
    least = (right - left) / 250
    drawn = 0
    for start, end, told in spans:
        a, b = float(days(start)), float(days(end))
        if b < left or a > right:
            continue
        middle, half = (a + b) / 2, max(b - a, least) / 2
        foot, alpha, order = (0.0, 0.35, 0.5) if whole else (0.955, 1.0, 4.0)
        axes.axvspan(
            middle - half,
            middle + half,
            foot,
            1.0,
            color=color,
            alpha=alpha,
            linewidth=0,
            zorder=order,
            gid=label(told),
        )
        drawn += 1
    return drawn


def one_over_the_other(
    upper: Axes,
    lower: Axes,
    first: np.datetime64,
    last: np.datetime64,
    *,
    clock: Callable[[Times], Times],
    spans: Iterable[tuple[np.datetime64, np.datetime64, str]],
) -> None:
    """The times of two panels that share them: the logger clock above, UTC below, visits along the upper edge.

    Call it after the values were drawn.
    """
    time_axis(upper, first, last, clock=clock, named=False)
    time_axis(lower, first, last)
    visits(upper, spans)


def legend(drawn: Figure, *axes: Axes, columns: int = 5) -> list[str]:
    """What the lines and signs of some axes mean, each once, in rows under the whole figure; gives the words."""
    known: dict[str, Any] = {}
    for one in axes or drawn.axes:
        for handle, told in zip(*one.get_legend_handles_labels(), strict=True):
            known.setdefault(str(told), handle)
    words = [word(code) for code in range(len(WORDS))]
    order = sorted(known, key=lambda told: words.index(told) if told in words else -1)
    if order:
        look: dict[str, Any] = {"borderaxespad": 0.3, "handlelength": 1.4, "columnspacing": 1.3, "ncols": columns}
        look["loc"] = "outside lower left" if drawn.get_layout_engine() else "lower left"
        drawn.legend([known[told] for told in order], order, **look)
    return order
