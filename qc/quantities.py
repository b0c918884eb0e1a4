"""The quantities that Fairvane knows: data in `rules/quantities.toml`, read once."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, get_args

from qc.errors import RulesError, StationFileError, nearest, printable
from qc.places import folder

Kind = Literal["level", "flux", "amount", "any"]
STATISTICS = ("mean", "vector-mean", "sample", "total", "counter", "max", "min", "sd")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of contract section 3.

    `unit` is the unit of the outputs (empty for `other`, which keeps the station file's), `dimension` the same for the
    units library. `kind` says what the table's interval does to a unit: `level` nothing, `flux` a mean that amounts are
    made into, `amount` a sum that rates are made into, `any` never converted. `statistics`: what a channel may be, the
    usual one first.
    """

    name: str
    unit: str
    title: str
    dimension: str
    kind: Kind
    circular: bool
    statistics: tuple[str, ...]


@cache
def quantities() -> Mapping[str, Quantity]:
    """All quantities by name, in the order of the file. Raises RulesError where the file cannot be used."""
    return read_quantities(folder("rules") / "quantities.toml")


def read_quantities(path: Path) -> Mapping[str, Quantity]:
    """The quantities of one file. Raises RulesError, which names the quantity and the key."""
    try:
        with path.open("rb") as file:
            tables = tomllib.load(file)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RulesError(f"cannot be read: {error}", where=str(path), mend="install the package again") from error
    return MappingProxyType({name: _quantity(path, name, table) for name, table in tables.items()})


def quantity(name: str) -> Quantity:
    """The quantity `name`. Raises StationFileError with the nearest known name."""
    known = quantities()
    if name not in known:
        raise StationFileError(f"'{printable(name, 40)}' is not a quantity{nearest(name[:80], known)}")
    return known[name]


_SHAPE: Mapping[str, type] = {
    "unit": str,
    "title": str,
    "dimension": str,
    "kind": str,
    "circular": bool,
    "statistics": list,
}


def _quantity(path: Path, name: str, table: Any) -> Quantity:
    where = f"{path.name}, [{name}]"
    if not isinstance(table, dict) or table.keys() != _SHAPE.keys():
        raise RulesError(f"needs the keys {', '.join(_SHAPE)} and no others", where=where)
    for key, kind in _SHAPE.items():
        if not isinstance(table[key], kind):
            raise RulesError(f"{key} is no {kind.__name__}", where=where)
    if table["kind"] not in get_args(Kind):
        raise RulesError(f"kind must be one of {', '.join(get_args(Kind))}", where=where)
    if not table["statistics"] or not set(table["statistics"]) <= set(STATISTICS):
        raise RulesError(f"statistics must be some of {', '.join(STATISTICS)}", where=where)
    return Quantity(name=name, **{**table, "statistics": tuple(table["statistics"])})
