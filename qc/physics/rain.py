"""Rain in whole millionths of a millimetre, so that sums are exact wherever a record is cut, and evenness of a drip."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import Blocks, Rows, runs, sliding_min

MICRO = 1_000_000
"""Parts of a millimetre that totals are counted in."""

_DIGITS = 6


def whole(total: ArrayLike) -> Rows:
    """Totals in whole millionths of a millimetre, 0 where missing. [mm]"""
    micro: Rows = np.rint(np.nan_to_num(np.asarray(total, np.float64)) * MICRO).astype(np.int64)
    return micro


def last_digit(values: ArrayLike) -> Floats:
    """Step of the last digit that a number needs: 0.01 for 0.25, 1 for 3 and for 30; 0 beyond six decimals.

    Parameters
    ----------
    values : in the unit that they were printed in. [any]
    """
    number = np.asarray(values, np.float64)
    step: Floats = np.zeros(number.shape)
    for digits in range(_DIGITS, -1, -1):
        scaled = number * 10.0**digits
        step = np.where(np.abs(scaled - np.rint(scaled)) <= 1e-9 * np.maximum(np.abs(scaled), 1.0), 10.0**-digits, step)
    return step


class Drip(NamedTuple):
    """Even tips by block: how far the run that a block belongs to goes on to each side; -1 outside runs. [us]"""

    back_us: Rows
    ahead_us: Rows

    @property
    def lasting_us(self) -> Rows:
        """Length of each block's run, cut to the reach; 0 outside runs. [us]"""
        return np.asarray(np.maximum(self.back_us + self.ahead_us, 0), np.int64)


def even_tips(
    total: ArrayLike, blocks: Blocks, rows_in_block: int, unevenness: float, most: float, tip_us: int, reach_us: int
) -> Drip:
    """Where totals of neighbouring blocks hardly differ, block after block.

    A block and the one before are even where both are whole and wet, neither has more than `most`, and their totals
    differ by at most `unevenness` tips, the tip being the least total of a single row within `tip_us` of the block.

    Parameters
    ----------
    total : rain of each row. [mm]
    blocks : the rows' blocks.
    rows_in_block : rows of a block that lacks none.
    unevenness : [tips]
    most : of a block. [mm]
    tip_us : how far to each side the tip is sought. [us]
    reach_us : how far to each side a run is followed. [us]

    Returns
    -------
    Drip, by block.
    """
    rain = np.asarray(total, np.float64)
    amount = blocks.sum(whole(rain))
    complete = blocks.sum(np.isfinite(rain)) >= rows_in_block
    tip = sliding_min(blocks.min(np.where(rain > 0, rain, np.nan)), blocks.time, tip_us, tip_us)
    fit = complete & (amount > 0) & (amount <= round(most * MICRO))
    allowed = np.rint(np.nan_to_num(tip * unevenness) * MICRO)
    alike = np.zeros(len(amount), bool)
    if len(amount) > 1:
        beside = (blocks.time[1:] - blocks.time[:-1]).astype(np.int64) == blocks.span_us
        alike[1:] = fit[1:] & fit[:-1] & beside & (np.abs(amount[1:] - amount[:-1]) <= allowed[1:])
    back, ahead = np.full(len(amount), -1, np.int64), np.full(len(amount), -1, np.int64)
    first, last = runs(alike, blocks.time, blocks.span_us)
    for start, stop in zip(first - 1, last, strict=True):  # the block before the first belongs to it
        here = blocks.time[start : stop + 1].astype(np.int64)
        back[start : stop + 1] = np.minimum(here - here[0], reach_us)
        ahead[start : stop + 1] = np.minimum(here[-1] - here, reach_us) + blocks.span_us
    return Drip(back, ahead)


def bridged(
    time: NDArray[np.datetime64], from_: NDArray[np.bool_], to: NDArray[np.bool_], longest_us: int
) -> NDArray[np.bool_]:
    """Blocks from one where `from_` holds to the next where `to` holds, both included, where these lie no further apart
    than `longest_us`; between them neither need hold."""
    stamps = np.asarray(time, "datetime64[us]").astype(np.int64)
    rows = np.arange(len(stamps))
    left = np.maximum.accumulate(np.where(from_, rows, -1)) if len(rows) else rows
    right = np.minimum.accumulate(np.where(to, rows, len(rows))[::-1])[::-1] if len(rows) else rows
    found = np.zeros(len(stamps), bool)
    both = (left >= 0) & (right < len(rows))
    found[both] = stamps[right[both]] - stamps[left[both]] <= longest_us
    return found
