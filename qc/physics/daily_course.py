"""The daily course of a channel: when in the day it peaks, and how surely days agree about that."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.physics.vectors import Floats

Ints = NDArray[np.int64]

LEAST = 3.0
"""Standard errors that the mean course must stand out by; below it a peak has no hour (judgement)."""


class Course(NamedTuple):
    """Hour of the peak of a mean daily course (0 to below 24), its standard error, and of how many days."""

    hour: float
    error: float
    days: int


def waves(day: Ints, hour: Floats, values: Floats, share: float = 0.8) -> tuple[Ints, NDArray[np.complex128]]:
    """The wave of 24 h in each day.

    Parameters
    ----------
    day, hour : number of the day, rising, and hour in it, shape (n,).
    values : NaN for none, shape (n,).
    share : of the rows of a full day that a day needs.

    Returns
    -------
    days, shape (d,), and for each half the amplitude of its wave, as a complex number whose angle is that of the peak's
    hour turned backwards.
    """
    good = np.isfinite(values)
    if not good.any():
        return np.empty(0, np.int64), np.empty(0, complex)
    known, at, count = np.unique(day[good], return_inverse=True, return_counts=True)
    x = values[good]
    x = x - (np.bincount(at, x) / count)[at]
    turn = np.exp(-1j * np.pi * hour[good] / 12.0)
    wave = (np.bincount(at, x * turn.real) + 1j * np.bincount(at, x * turn.imag)) / count
    enough = count >= share * count.max()
    return known[enough], wave[enough]


def course(each: NDArray[np.complex128]) -> Course | None:
    """Peak of the mean of some days' waves; None of fewer than two days, or where they do not agree on any."""
    n = len(each)
    if n < 2:
        return None
    mean = complex(each.mean())
    size = abs(mean)
    if not size:
        return None
    across = np.imag(each * np.conj(mean) / size)
    along = np.real(each * np.conj(mean) / size) - size
    error = float(np.sqrt((across**2 + along**2).sum() / (2 * (n - 1)) / n))
    if size < LEAST * error:
        return None
    return Course(float(-np.angle(mean) * 12.0 / np.pi % 24.0), error / size * 12.0 / float(np.pi), n)


def apart(hours: float) -> float:
    """A difference of two hours of the day, within +-12 h."""
    return (hours + 12.0) % 24.0 - 12.0
