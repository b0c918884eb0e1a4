"""Blocks: figures of stretches of equal time, hours or days."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def number(time: NDArray[np.datetime64], hours: float) -> Ints:
    """Number of the stretch of some hours that each UTC time lies in, counted from 1970, shape (n,)."""
    us = np.asarray(time, "datetime64[us]").astype(np.int64)
    return np.asarray(np.floor_divide(us, round(hours * 3_600_000_000)))


def medians(values: ArrayLike, block: Ints) -> tuple[Ints, Floats, Ints]:
    """Numbers of the blocks that have values, their medians, and how many values each has.

    Parameters
    ----------
    values : shape (n,), NaN passed over.
    block : numbers that never fall, shape (n,).
    """
    x = np.asarray(values, float)
    rows = np.flatnonzero(np.isfinite(x))
    if not len(rows):
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64)
    x, b = x[rows], block[rows]
    blocks, first, count = np.unique(b, return_index=True, return_counts=True)
    x = x[np.lexsort((x, b))]
    low, high = x[first + (count - 1) // 2], x[first + count // 2]
    return blocks, (low + high) / 2.0, count


def medians_of(values: Floats, first: NDArray[np.intp]) -> Floats:
    """Median of each stretch of values, bit for bit that of `np.median`: NaN where one is among them.

    Parameters
    ----------
    values : shape (n,).
    first : where each stretch begins, rising; the last one ends with the values.

    Stretches of one length, mostly all but the first and last, are taken together.
    """
    length = np.diff(first, append=len(values))
    out = np.empty(len(first))
    for size in np.unique(length).tolist():
        here = np.flatnonzero(length == size)
        out[here] = np.median(values[first[here, None] + np.arange(size)], axis=1)
    return out


def spread_out(found: ArrayLike, blocks: Ints, block: Ints, otherwise: float | bool) -> NDArray[np.generic]:
    """A figure of each block, put back onto the rows; `otherwise` where the block has none."""
    figures = np.asarray(found)
    if not len(blocks):
        return np.full(len(block), otherwise)
    place = np.minimum(np.searchsorted(blocks, block), len(blocks) - 1)
    return np.where(blocks[place] == block, figures[place], otherwise)
