"""Codes of flags: those of WMO BUFR table 0 33 020, or the primary flags of IOC Manuals and Guides 54 Vol. 3 (2013)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qc.errors import UsageError
from qc.station import Station
from qc.verdicts import MISSING, NOT_CHECKED, WORDS, WRONG

if TYPE_CHECKING:
    import pyarrow as pa

NONE = 255
"""Stands in a crosswalk where the other scheme has no code."""


@dataclass(frozen=True)
class Scheme:
    """A scheme of flags: its words by code, and its code for each verdict from 0 to 7, `NONE` where it has none."""

    name: str
    title: str
    words: Mapping[int, str]
    of_verdict: tuple[int, ...]

    @property
    def told(self) -> str:
        """The codes in words."""
        return ", ".join(f"{code} {word.replace('_', ' ')}" for code, word in self.words.items())

    @property
    def allowed(self) -> tuple[int, ...]:
        """All codes."""
        return tuple(self.words)


WMO = Scheme("wmo", "WMO BUFR/CREX code table 0 33 020", dict(enumerate(WORDS)), tuple(range(MISSING + 1)))

IOC = Scheme(
    "ioc",
    "primary flags of IOC Manuals and Guides 54, Vol. 3 (2013)",
    {1: "good", 2: "not evaluated", 3: "questionable", 4: "bad", 9: "missing"},
    (1, 3, 3, 4, 2, NONE, NONE, 9),  # changed and estimated have no primary code; the verdict beside it keeps them
)

SCHEMES = {"wmo": WMO, "ioc": IOC}

SECOND = "_verdict_wmo"
"""Ends the name of the column that keeps the verdict itself beside a code of another scheme."""


def refuse_clash(station: Station, scheme: Scheme) -> None:
    """UsageError where a channel has the name of a column that the scheme adds."""
    for channel in station.channel:
        if scheme is not WMO and channel.name.casefold().endswith(SECOND):
            raise UsageError(
                f"channel '{channel.name}' has the name of a column of flags",
                where=f"--flags {scheme.name}",
                mend="rename the channel, or deliver the flags as wmo",
            )


def recoded(table: pa.Table, scheme: Scheme) -> pa.Table:
    """A table of verdicts in a scheme: each `NAME_verdict` in its codes, the verdict itself in `NAME_verdict_wmo`."""
    import pyarrow as pa

    if scheme is WMO:
        return table
    columns: dict[str, pa.ChunkedArray | pa.Array] = {}
    look = np.array(scheme.of_verdict, np.uint8)
    for name in table.column_names:
        column = table.column(name)
        if name.endswith("_verdict"):
            codes = look[column.to_numpy()]
            columns[name] = pa.array(codes, mask=codes == NONE)
            columns[f"{name}_wmo"] = column
        else:
            columns[name] = column
    return pa.table(columns)


CORRECTED = (2, WRONG, 5, 6, MISSING)
"""Verdicts that a corrected value can have."""

RAW = (0, 1, 2, WRONG, NOT_CHECKED, MISSING)
"""Verdicts that a raw value can have."""
