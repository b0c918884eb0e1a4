"""Tables of a delivery as CSV, each with a Table Schema beside it that says what its columns mean.

Table Schema is the open standard of the Frictionless specifications (v1): field types, units in the descriptions, what
an empty cell is. Flags are spelt out there, so that the files explain themselves.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from qc.errors import printable
from qc.write.tables import csv_text

if TYPE_CHECKING:
    import pyarrow as pa

_EXPONENT = 1e10  # larger numbers are written with an exponent, which says that they are no integers
_LONGEST = 4000  # characters of a text from a log or a station file (judgement: the longest that a station file takes)


@dataclass(frozen=True)
class Field:
    """One column: `kind` is a type of Table Schema, `allowed` the only values it has."""

    name: str
    kind: str
    description: str
    unit: str = ""
    allowed: tuple[int | str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """A small table: its path in the folder, what it is, its columns, and rows of text."""

    path: str
    title: str
    fields: tuple[Field, ...]
    rows: Sequence[Sequence[str]]

    def csv(self) -> str:
        """The table, cells cut and made fit for one line, guarded against spreadsheets."""
        numbers = [f.kind == "number" for f in self.fields]
        rows = ([pointed(fit(c)) if n else fit(c) for c, n in zip(row, numbers, strict=True)] for row in self.rows)
        return csv_text([f.name for f in self.fields], rows)


def fit(text: object) -> str:
    """Text that a person wrote, fit for a cell: what does not print becomes `·`, and it is cut."""
    return printable(text, _LONGEST)


def schema(fields: Iterable[Field]) -> dict[str, Any]:
    """The Table Schema of some columns."""
    return {"fields": [_field(f) for f in fields], "missingValues": [""]}


def schema_path(path: str) -> str:
    """Where the schema of a CSV stands: `a.csv` has `a.schema.json`."""
    return f"{path.removesuffix('.csv')}.schema.json"


def json_text(document: Mapping[str, Any]) -> str:
    """JSON in ASCII, never with NaN."""
    return json.dumps(document, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


def packed(sheets: Iterable[tuple[str, str]], name: str, title: str) -> dict[str, Any]:
    """A data package (Frictionless specifications) over all CSVs, given as pairs of path and title."""
    resources = [
        {
            "name": "".join(c if c.isalnum() else "-" for c in path.removesuffix(".csv").lower()),
            "type": "table",
            "path": path,
            "title": about,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "schema": schema_path(path),
        }
        for path, about in sheets
    ]
    return {"name": name.lower(), "title": title, "resources": resources}


def _field(field: Field) -> dict[str, Any]:
    told = f"{field.description} [{field.unit}]" if field.unit else field.description
    out: dict[str, Any] = {"name": field.name, "type": field.kind, "description": told}
    if field.unit:
        out["unit"] = field.unit
    if field.allowed:
        out["constraints"] = {"enum": list(field.allowed)}
    return out


def pointed(number: str) -> str:
    """A number with a decimal point: `3` becomes `3.0`."""
    return f"{number}.0" if number.lstrip("-").isdecimal() else number


def arrow_pieces(table: pa.Table) -> Iterator[bytes]:
    """A large table as CSV, its measured numbers with a decimal point.

    Programs that guess a column's type from its first rows would else take dry weeks of rain for whole numbers, and
    then stumble over 0.2, or cut it to 0 without a word.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    from qc.write.flagged import csv_pieces

    for at, field in enumerate(table.schema):
        if pa.types.is_floating(field.type):
            column = table.column(at)
            text = pc.cast(column, pa.string())
            whole = pc.and_(pc.equal(column, pc.floor(column)), pc.less(pc.abs(column), _EXPONENT))
            text = pc.if_else(whole, pc.binary_join_element_wise(text, pa.scalar(".0"), pa.scalar("")), text)
            table = table.set_column(at, field.name, text)
    return csv_pieces(table)
