"""Wind: directions over a window, and how long a head stands still."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats, settle
from qc.physics.windows import Blocks, sliding_max, sliding_min


def circular_range(direction: ArrayLike, blocks: Blocks, back_us: int, ahead_us: int = 0) -> Floats:
    """Width of the narrowest arc that holds all directions of the blocks in each block's window.

    Extremes of the direction and of the direction turned by half a circle: an arc narrower than 180 degrees spans the
    cut of at most one of them, so the smaller of the two ranges is exact.

    Parameters
    ----------
    direction : one for each row of `blocks`; 0 to 360, missing ones are passed over. [degree]
    blocks : the rows' blocks.
    back_us, ahead_us : reach of the window, over the starts of blocks, both ends closed. [us]

    Returns
    -------
    width : one for each block; exact below 180, and 180 or more where it is; NaN where the window holds none. [degree]
    """
    degrees = np.asarray(direction, np.float64)
    width: NDArray[np.float64] | None = None
    plain = np.where(degrees == 360.0, 0.0, degrees)
    for turned in (plain, np.where(plain >= 180.0, plain - 180.0, plain + 180.0)):
        high = sliding_max(blocks.max(turned), blocks.time, back_us, ahead_us)
        low = sliding_min(blocks.min(turned), blocks.time, back_us, ahead_us)
        width = high - low if width is None else np.minimum(width, high - low)
    assert width is not None
    return settle(width)
