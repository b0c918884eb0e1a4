"""Pictures: what is drawn is what was given, reduced without losing a peak, and the same bytes everywhere."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.verdicts import DOUBTFUL, GOOD, INCONSISTENT, WRONG
from qc.write import picture as p

DAY = np.datetime64("2026-03-05T00:00:00", "us")
MINUTE = np.timedelta64(1, "m")


def _times(count: int, step: str = "1m") -> Any:
    return DAY + np.arange(count) * np.timedelta64(int(step[:-1]), step[-1])  # type: ignore[call-overload]


def _axes() -> Any:
    with p.house():
        return p.figure(2.0).add_subplot()


# ---- reduction


@given(st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400), st.integers(1, 60))
def test_an_envelope_loses_no_peak_and_makes_none_up(values: list[float], columns: int) -> None:
    v = np.array(values)
    time = _times(len(v))
    found = p.envelope(time, v, time[0], time[-1], columns)
    good = v[np.isfinite(v)]
    assert len(found.time) <= min(columns, len(good))
    assert (found.low <= found.high).all()
    assert set(found.low) | set(found.high) <= set(good)
    if len(good):
        assert (found.low.min(), found.high.max()) == (good.min(), good.max())
    assert (np.diff(found.time.astype(np.int64)) > 0).all()


def test_an_envelope_puts_each_value_into_its_own_column() -> None:
    time = _times(4)
    found = p.envelope(time, np.array([1.0, 5.0, -2.0, 3.0]), time[0], time[0] + 4 * MINUTE, 2)
    assert found.low.tolist() == [1.0, -2.0]
    assert found.high.tolist() == [5.0, 3.0]
    assert found.time.tolist() == [(time[0] + MINUTE).item(), (time[0] + 3 * MINUTE).item()]


def test_a_line_breaks_where_nothing_is_known() -> None:
    axes = _axes()
    time = np.concatenate((_times(3), _times(3) + 60 * MINUTE))
    p.line(axes, time, np.arange(6.0), gap=2 * MINUTE)
    y = axes.lines[0].get_ydata()
    assert np.isnan(y).tolist() == [False, False, False, True, False, False, False]


def test_a_value_alone_is_drawn_as_a_dot() -> None:
    axes = _axes()
    p.line(axes, _times(5), np.array([1.0, np.nan, 3.0, 4.0, np.nan]), gap=MINUTE)
    assert axes.lines[1].get_ydata().tolist() == [1.0]


def test_a_long_line_is_drawn_as_few_points_with_its_peaks() -> None:
    axes = _axes()
    v = np.sin(np.arange(100_000) / 50)
    v[77_777] = 9.0
    p.line(axes, _times(100_000), v, gap=2 * MINUTE)
    assert len(axes.lines[0].get_xdata()) <= 2 * p.COLUMNS
    assert axes.lines[0].get_ydata().max() == 9.0


def test_signs_stand_on_flagged_values_in_the_colours_of_their_verdicts() -> None:
    axes = _axes()
    v, codes = np.arange(20.0), np.zeros(20, np.uint8)
    codes[3], codes[7:9], codes[12] = INCONSISTENT, WRONG, DOUBTFUL
    v[8] = np.nan
    time = _times(20)
    assert p.flagged(axes, time, v, codes, time[0], time[-1]) == {INCONSISTENT: 1, DOUBTFUL: 1, WRONG: 1}
    drawn = {line.get_color(): line.get_ydata().tolist() for line in axes.lines}
    assert drawn == {p.COLOURS[INCONSISTENT]: [3.0], p.COLOURS[DOUBTFUL]: [12.0], p.COLOURS[WRONG]: [7.0]}
    assert len({line.get_marker() for line in axes.lines}) == 3
    assert p.legend(axes.figure) == ["1 inconsistent", "2 doubtful", "3 wrong"]
    assert p.flagged(_axes(), time, v, np.full(20, GOOD, np.uint8), time[0], time[-1]) == {}


# ---- time


@pytest.mark.parametrize(
    ("last", "count", "words"),
    [
        ("2026-03-05T06:00", 7, ["00:00\n5 Mar 2026", "01:00", "06:00"]),
        ("2026-03-07T00:00", 9, ["00:00\n5 Mar 2026", "06:00", "00:00\n7 Mar"]),
        ("2026-03-13T00:00", 9, ["5\nMar 2026", "6", "13"]),
        ("2026-03-06T12:00", 7, ["00:00\n5 Mar 2026", "06:00", "00:00\n6 Mar"]),
        ("2026-04-20T00:00", None, ["11\nMar 2026", "1\nApr 2026", "11"]),
        ("2027-03-01T00:00", 12, ["Apr\n2026", "Jan\n2027", "Mar"]),
        ("2046-03-01T00:00", None, ["Jan\n2028", "Jan\n2046"]),
    ],
)
def test_ticks_are_round_few_and_named(last: str, count: int | None, words: list[str]) -> None:
    end = np.datetime64(last, "us")
    at, told = p.ticks(DAY, end)
    assert 2 <= len(at) <= 13
    assert count is None or len(at) == count
    assert set(words) <= set(told)
    assert (at >= DAY).all() and (at <= end).all() and (np.diff(at.astype(np.int64)) > 0).all()


def test_the_second_axis_shows_the_logger_clock() -> None:
    axes = _axes()
    p.time_axis(axes, DAY, DAY + 360 * MINUTE, clock=lambda t: t + 90 * MINUTE, clock_name="logger clock, +01:30")
    upper = axes.figure.axes[1]
    assert upper.get_xlim() == axes.get_xlim()
    first = upper.get_xticks()[0]
    assert upper.get_xticklabels()[0].get_text() == "02:00\n5 Mar 2026"
    assert first == pytest.approx(float(p.days(DAY + 30 * MINUTE)), abs=1e-9)


def test_one_moment_alone_still_has_an_axis() -> None:
    axes = _axes()
    p.time_axis(axes, DAY, DAY)
    left, right = axes.get_xlim()
    assert right - left == pytest.approx(1 / 24)


def test_nights_and_visits_stand_where_they_were() -> None:
    axes = _axes()
    time = _times(6, "1h")
    p.time_axis(axes, time[0], time[-1])
    assert p.night_shading(axes, time, np.array([-5.0, -0.834, -0.833, 10.0, -1.0, -2.0])) == 2
    spans = [tuple(patch.get_x() + np.array([0, patch.get_width()])) for patch in axes.patches]
    expected = [(0, 2), (4, 5)]
    for (a, b), (left, right) in zip(spans, expected, strict=True):
        assert (a, b) == pytest.approx((float(p.days(time[left])), float(p.days(time[right]))))
    outside = (time[0] - 90 * MINUTE, time[0] - 60 * MINUTE, "before")
    assert p.visits(axes, [(time[1], time[1], "a moment"), outside]) == 1
    bar = axes.patches[-1]
    assert bar.get_width() == pytest.approx((5 / 24) / 250)


# ---- text and bytes


@pytest.mark.parametrize("text", ["$x^$", r"\frac{", "<b>", "天\u0627\u202e", "x" * 10_000, "\n\n"])
def test_texts_are_drawn_as_texts(text: str) -> None:
    with p.house():
        figure = p.figure(1.0)
        figure.add_subplot().set_title(p.label(text))
    assert p.png(figure).startswith(b"\x89PNG")  # warnings, as of a missing letter, are errors in tests
    assert b"<text" not in p.svg(figure)


def test_label_keeps_what_the_font_has() -> None:
    assert p.label("Wärme °C µ") == "Wärme °C µ"
    assert p.label("a天b") == "a·b"
    assert len(p.label("x" * 100)) == 44


_DRAW = """
import hashlib, numpy as np
from qc.write import picture as p
with p.house():
    f = p.figure(2.0); a = f.add_subplot()
    t = np.datetime64("2026-03-05", "us") + np.arange(500) * np.timedelta64(10, "m")
    c = np.zeros(500, np.uint8); c[5:9] = 3; c[40] = 1
    p.line(a, t, np.sin(np.arange(500.0)), gap=np.timedelta64(20, "m"), label="s")
    p.flagged(a, t, np.sin(np.arange(500.0)), c, t[0], t[-1])
    p.time_axis(a, t[0], t[-1]); p.legend(f)
print(*(hashlib.sha256(x).hexdigest() for x in (p.png(f), p.svg(f))))
"""


def test_the_same_bytes_under_other_seeds_zones_and_settings(tmp_path: Any) -> None:
    (tmp_path / "matplotlibrc").write_text("font.size: 31\naxes.facecolor: red\nsavefig.dpi: 33\naxes.ymargin: 0.9\n")
    import os

    found = set()
    for seed, zone, settings in (("1", "UTC", {}), ("7", "Asia/Tokyo", {"MATPLOTLIBRC": str(tmp_path), "LC_ALL": "C"})):
        environment = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone, **settings}
        done = subprocess.run(
            [sys.executable, "-c", _DRAW], capture_output=True, text=True, check=True, env=environment
        )
        found.add(done.stdout)
    assert len(found) == 1 and len(found.pop().split()) == 2


def test_letters_are_those_that_come_with_matplotlib() -> None:
    """Fonts of the machine would make other bytes."""
    from matplotlib import get_data_path
    from matplotlib.font_manager import FontProperties, findfont

    with p.house():
        assert findfont(FontProperties(family="DejaVu Sans")).startswith(get_data_path())
        assert findfont(FontProperties(family="DejaVu Sans", weight="bold")).startswith(get_data_path())


def test_nothing_is_told_where_no_list_of_fonts_can_be_kept(tmp_path: Any) -> None:
    import os

    (tmp_path / "file").write_text("")
    environment = os.environ | {"MPLCONFIGDIR": str(tmp_path / "file" / "no"), "HOME": str(tmp_path / "file")}
    done = subprocess.run([sys.executable, "-c", _DRAW], capture_output=True, text=True, check=True, env=environment)
    assert done.stderr == "" and len(done.stdout.split()) == 2


def test_the_house_leaves_the_settings_of_the_process_alone() -> None:
    import matplotlib

    matplotlib.rcParams["font.size"] = before = 13.5
    try:
        with p.house():
            assert matplotlib.rcParams["font.size"] == 9
        assert matplotlib.rcParams["font.size"] == before
    finally:
        matplotlib.rcdefaults()


def test_a_picture_has_no_date_and_no_maker_in_it() -> None:
    with p.house():
        figure = p.figure(1.0)
    assert b"atplotlib" not in p.png(figure)
    assert hashlib.sha256(p.png(figure)).digest() == hashlib.sha256(p.png(figure)).digest()
