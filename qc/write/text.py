"""Text for outputs: time stamps, numbers, and cells that a spreadsheet must not run."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.moments import utc_text

if TYPE_CHECKING:
    import pyarrow as pa

FORMULA = r"^[=+\-@\t\r]"
NUMBER = r"^[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?$"
_DAY_US = 86_400_000_000


def stamp(time: np.datetime64) -> str:
    """ISO 8601 in UTC; a fraction of a second only where there is one."""
    return utc_text(time)


def stamps(time: NDArray[np.datetime64]) -> pa.Array:
    """Many of them, as Arrow text."""
    import pyarrow as pa

    us = time.astype("datetime64[us]").astype(np.int64)
    if len(us) == 0 or (us % 1_000_000).any():
        return pa.array([stamp(t) for t in time], pa.string())
    days, second = np.divmod(us, _DAY_US)
    second //= 1_000_000
    known, place = np.unique(days, return_inverse=True)
    dates = np.frombuffer(
        "".join(np.datetime_as_string(known.astype("datetime64[D]")).tolist()).encode("ascii"), np.uint8
    ).reshape(len(known), 10)
    text = np.empty((len(us), 20), np.uint8)
    text[:, :10] = dates[place]
    text[:, [10, 13, 16, 19]] = np.frombuffer(b"T::Z", np.uint8)
    for at, number in ((11, second // 3600), (14, second // 60 % 60), (17, second % 60)):
        text[:, at], text[:, at + 1] = number // 10 + 48, number % 10 + 48
    ends = np.arange(0, 20 * len(us) + 1, 20, dtype=np.int32)
    return pa.StringArray.from_buffers(len(us), pa.py_buffer(ends), pa.py_buffer(text.tobytes()))


def number(value: float) -> str:
    """The shortest digits that read back; empty where there is no number."""
    if math.isnan(value):
        return ""
    text = repr(float(value))
    return text.removesuffix(".0")


def guarded(cell: str) -> str:
    """A text cell that a spreadsheet could take for a formula gets an apostrophe (contract 4)."""
    return f"'{cell}" if re.match(FORMULA, cell) and not re.match(NUMBER, cell.strip(), re.ASCII) else cell


def guarded_cells(cells: pa.Array) -> pa.Array:
    """The same for an Arrow column."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if cells.null_count == len(cells):
        return cells
    risky = pc.match_substring_regex(cells, FORMULA)
    if not pc.any(risky).as_py():
        return cells
    plain = pc.match_substring_regex(pc.utf8_trim_whitespace(cells), NUMBER)
    risky = pc.and_(risky, pc.invert(plain))
    return pc.if_else(risky, pc.binary_join_element_wise(pa.scalar("'"), cells, pa.scalar("")), cells)
