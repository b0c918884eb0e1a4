"""Who is to blame when sensors of one quantity disagree.

Three that vote prove nothing where two can fail alike. So a voter first needs credit: whoever reported what cannot be
is no witness, and only voters that share nothing count as two. Where that leaves no majority, all who disagree are at
odds, and no one is blamed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.physics.vectors import Floats, settle
from qc.physics.windows import sliding_count

Bools = NDArray[np.bool_]


def differences(values: Sequence[Floats]) -> dict[tuple[int, int], Floats]:
    """Absolute difference of each two of some series, settled so that ties are exact; NaN where one is missing.

    Parameters
    ----------
    values : n series of one shape, in one unit.

    Returns
    -------
    differences : by (i, j) with i < j; unit of `values`.
    """
    return {
        (i, j): settle(np.abs(values[i] - values[j])) for i in range(len(values)) for j in range(i + 1, len(values))
    }


def outvoted(
    apart: dict[tuple[int, int], Floats], credit: Sequence[Bools], alike: Bools, agree: float, differ: float
) -> list[Bools]:
    """For each of n sensors, where two that are independent of each other agree and both differ from it.

    Parameters
    ----------
    apart : of `differences`.
    credit : for each sensor where it may vote.
    alike : shape (n, n), which two can fail alike: those together count as one vote.
    agree : the most by which two that agree lie apart. [unit of the values]
    differ : the most by which they may lie apart from it; more outvotes it, unless another voter agrees with it.

    Returns
    -------
    outvoted : n arrays.
    """
    n = len(credit)

    def between(i: int, j: int) -> Floats:
        return apart[min(i, j), max(i, j)]

    found = []
    for a in range(n):
        against = np.zeros(credit[a].shape, bool)
        supported = np.zeros(credit[a].shape, bool)
        for b in range(n):
            if b == a or alike[a, b]:
                continue
            supported |= credit[b] & (between(a, b) <= agree)
            for c in range(b + 1, n):
                if c == a or alike[a, c] or alike[b, c]:
                    continue
                both = credit[b] & credit[c] & (between(b, c) <= agree)
                against |= both & (between(a, b) > differ) & (between(a, c) > differ)
        found.append(against & ~supported)
    return found


def mostly(rows: Bools, asked: Bools, time: NDArray[np.datetime64], half_us: int) -> Bools:
    """Whether `rows` hold in more than half of the rows asked, within `half_us` to either side (both ends included)."""
    if not rows.any():
        return rows
    return np.asarray(2 * sliding_count(rows, time, half_us, half_us) > sliding_count(asked, time, half_us, half_us))
