"""Limits as data: `rules/checks/<id>.toml`, the climate's file, then a rules file, then the station file's `[rules]`.

Each limit has a unit, a source and a standing; an override has a reason. `Limits` is what is in force for one station.
"""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from qc import tomlfile
from qc.durations import seconds
from qc.errors import RulesError, nearest, printable
from qc.places import folder

STANDINGS = ("published", "from memory", "computed", "measured", "judgement", "common practice")
VERDICT_OF = {"inconsistent": 1, "doubtful": 2, "wrong": 3}

Steps = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Limit:
    """One number that a check goes by.

    `value` is a number, or steps of (interval in s, number): between them the number runs in line with the logarithm of
    the interval.
    """

    check: str
    key: str
    value: float | Steps
    unit: str
    source: str
    standing: str
    verdict: int | None = None
    note: str = ""
    origin: str = ""
    reason: str = ""

    @property
    def name(self) -> str:
        """The name by which a station file overrides it."""
        return f"{self.check}.{self.key}"

    def at(self, interval_s: float | None) -> float:
        """The number for a table of this interval (s)."""
        if isinstance(self.value, float):
            return self.value
        steps = self.value
        if interval_s is None or interval_s <= steps[0][0]:
            return steps[0][1]
        for (t0, v0), (t1, v1) in pairwise(steps):
            if interval_s <= t1:
                share = math.log(interval_s / t0) / math.log(t1 / t0)
                return (
                    round(v0 + (v1 - v0) * share, 6) if interval_s < t1 else v1
                )  # logarithms may differ in the last bit
        return steps[-1][1]


class Limits(Mapping[str, Limit]):
    """The limits in force, by name `check.key`."""

    def __init__(self, limits: Mapping[str, Limit]) -> None:
        self._limits = dict(sorted(limits.items()))

    def __getitem__(self, name: str) -> Limit:
        return self._limits[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._limits)

    def __len__(self) -> int:
        return len(self._limits)

    def find(self, check: str, key: str) -> Limit | None:
        """One limit, or None where there is none."""
        return self._limits.get(f"{check}.{key}")

    def number(self, check: str, key: str, interval_s: float | None = None) -> float:
        """The number of a limit that must be there; KeyError where it is not."""
        return self._limits[f"{check}.{key}"].at(interval_s)

    @property
    def sha256(self) -> str:
        """SHA-256 over every name and number in force: equal sums mean equal rules."""
        told = {name: [limit.value, limit.verdict] for name, limit in self._limits.items()}
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


@cache
def sources() -> Mapping[str, str]:
    """Full titles of the sources, by the short name that limits use."""
    with (folder("rules") / "sources.toml").open("rb") as file:
        return {key: str(entry["title"]) for key, entry in tomllib.load(file).items()}


@cache
def _shipped(climate: str) -> Mapping[str, Limit]:
    found: dict[str, Limit] = {}
    for path in sorted((folder("rules") / "checks").glob("*.toml")):
        found |= {limit.name: limit for limit in _file(path, check=path.stem, origin=f"rules/checks/{path.name}")}
    path = folder("rules") / "climates" / f"{climate}.toml"
    for limit in _file(path, check=None, origin=f"rules/climates/{path.name}"):
        found[limit.name] = limit
    return found


@cache
def of_faults() -> Limits:
    """The numbers that diagnosis goes by, from `rules/faults/<id>.toml`; `check` holds the id of the fault."""
    found: dict[str, Limit] = {}
    for path in sorted((folder("rules") / "faults").glob("*.toml")):
        found |= {limit.name: limit for limit in _file(path, check=path.stem, origin=f"rules/faults/{path.name}")}
    return Limits(found)


def _file(path: Path, *, check: str | None, origin: str) -> list[Limit]:
    with path.open("rb") as file:
        entries = tomllib.load(file).get("limit", [])
    return [_limit(entry, check or str(entry["check"]), origin) for entry in entries]


def _limit(entry: Mapping[str, Any], check: str, origin: str) -> Limit:
    unknown = set(entry) - {"check", "key", "value", "unit", "source", "standing", "verdict", "note"}
    if unknown or entry["standing"] not in STANDINGS or entry["source"] not in sources():
        raise ValueError(
            f"{origin}: limit {entry.get('key')}: {unknown or entry['standing'] + ' / ' + entry['source']}"
        )
    verdict = VERDICT_OF[entry["verdict"]] if "verdict" in entry else None
    value = _value(entry["value"])
    return Limit(
        check,
        entry["key"],
        value,
        entry["unit"],
        entry["source"],
        entry["standing"],
        verdict,
        entry.get("note", ""),
        origin,
    )


def _value(given: object) -> float | Steps:
    """A number, or [[interval, number], ...] by rising interval; ValueError for anything else."""
    if isinstance(given, int | float) and not isinstance(given, bool) and math.isfinite(given):
        return float(given)
    if isinstance(given, list) and given and all(isinstance(p, list) and len(p) == 2 for p in given):
        steps = tuple((seconds(p[0]), _value(p[1])) for p in given)
        if all(isinstance(v, float) for _, v in steps) and [t for t, _ in steps] == sorted({t for t, _ in steps}):
            return steps  # type: ignore[return-value]
    raise ValueError('is neither a number nor a list like [["1min", 3.0], ["1h", 12.0]] by rising interval')


def in_force(
    climate: str | None = None,
    rules_file: Path | None = None,
    overrides: Mapping[str, Any] | None = None,
    *,
    where: str = "[rules]",
) -> Limits:
    """Limits for one station.

    Parameters
    ----------
    climate : str
        name of a file in rules/climates; None for `any`.
    rules_file : path
        a TOML file with overrides for many stations.
    overrides : mapping
        `[rules]` of the station file.

    Raises
    ------
    RulesError
        if a file cannot be read, or an override names no limit, has no reason, or no number.
    """
    limits = dict(_shipped(climate or "any"))
    if rules_file is not None:
        told = printable(rules_file, 200)
        raw = tomlfile.read(rules_file, error=RulesError, what="rules file", mend="give a rules file with --rules")
        data = tomlfile.parse(raw, where=told, error=RulesError, what="rules file")
        if "rules" in data and (len(data) > 1 or not isinstance(data["rules"], Mapping)):
            raise RulesError(
                "holds more than [rules]", where=told, mend="give a rules file, not a station file, with --rules"
            )
        limits = _overridden(limits, data.get("rules", data), told, "rules file")
    if overrides:
        limits = _overridden(limits, overrides, where, "station file")
    return Limits(limits)


def _overridden(limits: dict[str, Limit], data: Mapping[str, Any], where: str, origin: str) -> dict[str, Limit]:
    limits = dict(limits)
    for name, entry in _flat(data):
        key = f"{where}: {printable(name, 80)}"
        if name not in limits:
            raise RulesError(f"is no limit{nearest(name, limits)}", where=key, mend="`fairvane rules` lists them")
        if not isinstance(entry, Mapping) or "value" not in entry or not str(entry.get("reason", "")).strip():
            raise RulesError(
                "needs a value and a reason", where=key, mend='write it like { value = 50.0, reason = "..." }'
            )
        if unknown := set(entry) - {"value", "reason"}:
            raise RulesError(
                f"knows no key '{printable(min(unknown), 40)}'", where=key, mend="it takes value and reason"
            )
        try:
            value = _value(entry["value"])
        except ValueError as error:
            raise RulesError(
                f"value {error}", where=key, mend=f"mend it; shipped is {_written(limits[name].value)}"
            ) from None
        limits[name] = replace(limits[name], value=value, origin=origin, reason=str(entry["reason"]).strip())
    return limits


def _written(value: float | Steps) -> str:
    return f"{value:g}" if isinstance(value, float) else str([[f"{t:g}s", v] for t, v in value]).replace("'", '"')


def _flat(data: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Names and entries of nested tables: `range.air_temperature.high` may be written quoted, dotted or as tables."""
    for key, entry in data.items():
        name = f"{prefix}{key}"
        if isinstance(entry, Mapping) and not {"value", "reason"} & set(entry) and entry:
            yield from _flat(entry, f"{name}.")
        else:
            yield name, entry
