"""From which row on two columns carry each other's numbers."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics import exchange

N = 600


def columns(row: int, apart: float = 5.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Two wandering columns, `apart` from each other in units of their spread, exchanged from a row on."""
    rng = np.random.default_rng(seed)
    a, b = (np.convolve(rng.normal(0.0, 1.0, N + 20), np.ones(21) / 4.6, "valid") for _ in range(2))
    b = b + apart
    x, y = a.copy(), b.copy()
    x[row:], y[row:] = b[row:], a[row:]
    return x, y


def found(row: int, x: np.ndarray, y: np.ndarray, first: int = 200, last: int = 400) -> exchange.Border:
    at = np.arange(N)
    known = exchange.pair(x, y, at < first, at >= last)
    return exchange.border(x[first:last], y[first:last], known, 600.0)


@pytest.mark.parametrize("row", [200, 201, 290, 399, 400])
@pytest.mark.parametrize("seed", range(3))
def test_the_row_is_found(row: int, seed: int) -> None:
    border = found(row, *columns(row, seed=seed))
    assert border == (row - 200, row - 200, row - 200)


def test_missing_rows_do_not_blur_it() -> None:
    x, y = columns(300)
    x[296:306] = y[296:306] = np.nan
    border = found(300, x, y)
    assert border.earliest == border.latest == 106  # the first row with values


def test_columns_alike_leave_it_open() -> None:
    wide = [found(300, *columns(300, apart=0.0, seed=s)) for s in range(6)]
    assert sum(b.latest - b.earliest > 2 for b in wide) >= 3
    assert all(b.earliest <= b.at <= b.latest for b in wide)


def test_without_values_nothing_is_known() -> None:
    none = np.full(N, np.nan)
    assert found(300, none, none) == (0, 0, 200)


def test_values_lean_to_where_they_are_usual() -> None:
    x, y = columns(N)
    known = exchange.pair(x, y, np.ones(N, bool), np.zeros(N, bool))
    assert exchange.leaning(y, known).mean() > 1.0
    assert exchange.leaning(x, known).mean() < -1.0
    assert exchange.leaning(np.array([np.nan, -1e9, 1e9]), known) == pytest.approx([0.0, -2.5, 2.5])


def test_what_is_shown_is_learnt_from_the_other_column() -> None:
    x, y = columns(0)
    known = exchange.pair(x, y, np.zeros(N, bool), np.ones(N, bool))
    assert np.median(known.first) < np.median(known.second)  # y holds the first quantity, x the second


@pytest.mark.parametrize(("shift", "taken"), [(0.0, -1.0), (10.0, 1.0), (5.0, 0.0), (2.5, -0.5), (7.5, 0.5)])
def test_whose_place_the_values_take(shift: float, taken: float) -> None:
    own = np.arange(101.0)
    assert exchange.taken_over(own + shift, own, own + 10.0) == pytest.approx(taken)
    assert exchange.taken_over(np.array([np.nan]), own, own) == 0.0
