"""How temperature answers to the sun within minutes: cloud edges are the experiment that tells shield from weather.

Air itself warms over an hour; what follows a cloud's edge within one interval is the heat of the shield. Wind carries
that away, and hardly changes the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Edges(NamedTuple):
    """Cloud edges, arrays of shape (m,): row of the later value, change of irradiance [kW/m2] and of temperature [K],
    wind speed [m/s]."""

    row: Ints
    sun: Floats
    temperature: Floats
    wind: Floats


class Blocks(NamedTuple):
    """Means over blocks of time, arrays of shape (m,): the last row of each, and its values; NaN where too few."""

    row: Ints
    number: Ints
    values: tuple[Floats, ...]


def blocks(number: Ints, *values: ArrayLike, least: int = 1) -> Blocks:
    """Means over rows that share a number.

    Parameters
    ----------
    number : rising number of each row's block, shape (n,).
    values : arrays of shape (n,), NaN for none.
    least : values that a block needs.
    """
    known, first, index = np.unique(number, return_index=True, return_inverse=True)
    out = []
    for value in values:
        x = np.asarray(value, float)
        good = np.isfinite(x)
        count = np.bincount(index[good], minlength=len(known))
        total = np.bincount(index[good], x[good], minlength=len(known))
        out.append(np.where(count >= least, total / np.maximum(count, 1), np.nan))
    last = np.concatenate([first[1:], [len(number)]]) - 1 if len(known) else first
    return Blocks(np.asarray(last, np.int64), known, tuple(out))


def edges(found: Blocks, *, least: float) -> Edges:
    """Pairs of blocks, one after the other, between which irradiance changes by at least `least` (kW/m2).

    `found` holds irradiance [W/m2], temperature [degC] and wind speed [m/s], in this order.
    """
    g, t, u = found.values
    next_ = np.diff(found.number) == 1
    sun, temperature = np.diff(g) / 1000.0, np.diff(t)
    wind = 0.5 * (u[1:] + u[:-1])
    good = next_ & (np.abs(sun) >= least) & np.isfinite(temperature) & np.isfinite(wind)
    return Edges(found.row[1:][good], sun[good], temperature[good], wind[good])


def slope(sun: ArrayLike, temperature: ArrayLike) -> tuple[float, float]:
    """Answer of temperature to the sun, K per kW/m2, and its standard error; NaN for fewer than ten edges of one sign.

    Darkening and brightening edges count alike: the mean of the medians of their ratios, so that the warming of the
    morning, which adds to one and takes from the other, cancels out. The error comes from the quartiles.
    """
    x, y = np.asarray(sun, float), np.asarray(temperature, float)
    middle, variance = [], []
    for sign in (1.0, -1.0):
        ratio = y[sign * x > 0] / x[sign * x > 0]
        if len(ratio) < 10:
            return float("nan"), float("nan")
        low, mid, high = np.quantile(ratio, [0.25, 0.5, 0.75])
        middle.append(mid)
        variance.append((1.57 * (high - low) / 1.7) ** 2 / len(ratio))  # error of a median (McGill 1978, from memory)
    return float(np.mean(middle)), float(0.5 * np.sqrt(sum(variance)))
