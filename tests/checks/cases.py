"""Case tables for checks: what one `tests/checks/<id>.toml` may say, and how a case becomes a scene.

    [[case]]
    name = "on the bound"                  # says what is caught; each table has a case on the bound, on either side,
    missing, override
    interval = "10min"                     # default; stamps mark the end
    start = "2026-06-21T12:00:00Z"         # first stamp, default
    at = [54.61, -2.95, 310.0]             # latitude, longitude, elevation, default
    rules = { range.air_temperature.high = { value = 50.0, reason = "a case" } }
    channels.t = { quantity = "air_temperature", values = "20.0 x 3, 60.0, nan", resolution = 0.1 }
    expect.t = "0 x 3, 3, -"               # verdict left by the check on each value: - where the check does not apply
    # or: not_applied.t = "no limit"       # a part of the reason

`values` is a list of numbers, or a text of parts joined by commas: `20.0`, `20.0 x 30` (thirty times), `10 to 20 in
11` (a line of eleven values, both ends included), `nan`, `(1, 2, 3) x 4` (a pattern four times). A channel takes any
key of a station file's channel; `markers`, when given, lists rows whose cell is a marker, `unreadable` those whose
cell is no number. `gaps` of a case lists rows (by number, from 0) that are left out of the table.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from qc import units
from qc.checks import registry
from qc.limits import in_force
from qc.read.numbers import MARKER, UNREADABLE
from qc.record import ReadChannel, TableRecord
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Station
from qc.verdicts import Found, NotApplied

FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Case:
    """One case of one check."""

    check: str
    name: str
    data: dict[str, Any]

    def __str__(self) -> str:
        return f"{self.check}: {self.name}"


def tables() -> list[Case]:
    """All cases of all tables in this folder."""
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        for entry in tomllib.loads(path.read_text("utf-8"))["case"]:
            found.append(Case(path.stem, entry["name"], entry))
    return found


def series(given: str | list[Any]) -> list[str]:
    """The words of a series, repetitions written out."""
    if isinstance(given, list):
        return [str(v) for v in given]
    parts = re.findall(r"\([^)]*\)\s*x\s*\d+|[^,()]+", given)
    words: list[str] = []
    for part in (p.strip() for p in parts):
        if not part:
            continue
        if found := re.fullmatch(r"\((.*)\)\s*x\s*(\d+)", part):
            words += series(found[1]) * int(found[2])
        elif found := re.fullmatch(r"(\S+)\s+to\s+(\S+)\s+in\s+(\d+)", part):
            words += [repr(round(float(v), 6)) for v in np.linspace(float(found[1]), float(found[2]), int(found[3]))]
        elif found := re.fullmatch(r"(\S+)\s*x\s*(\d+)", part):
            words += [found[1]] * int(found[2])
        else:
            words.append(part)
    return words


def scene(case: Case) -> Scene:
    """The scene of a case; all channels stand in one table."""
    data = case.data
    latitude, longitude, elevation = data.get("at", [54.61, -2.95, 310.0])
    values = {name: np.array([float(w) for w in series(c["values"])]) for name, c in data["channels"].items()}
    rows = len(next(iter(values.values())))
    assert all(len(v) == rows for v in values.values()), f"{case}: channels of different length"
    channels = []
    for name, given in data["channels"].items():
        entry = {k: v for k, v in given.items() if k not in ("values", "markers", "unreadable")}
        channels.append({"name": name, "column": name, "unit": _unit(entry["quantity"]), **entry})
    station = Station.model_validate(
        {
            "station": {"id": "case", "latitude": latitude, "longitude": longitude, "elevation": elevation},
            "clock": [{"utc_offset": "+00:00"}],
            "table": [
                {
                    "id": "t", "interval": data.get("interval", "10min"), "stamps": data.get("stamps", "end"),
                    "layout": [
                        {"names": ["x"], "decimal": ".", "missing": [""], "time": {"columns": ["x"], "format": "%s"}}
                    ],
                }
            ],
            "channel": channels,
            "horizon": data.get("horizon", []),
            "learnt": data.get("learnt", {}),
        }
    )  # fmt: skip
    table = station.table[0]
    step = round((table.interval_s or 0) * 1e6)
    start = np.datetime64(data.get("start", "2026-06-21T12:00:00Z").removesuffix("Z"), "us")
    time = start + np.arange(rows) * np.timedelta64(step, "us")
    keep = np.setdiff1d(np.arange(rows), data.get("gaps", []))
    read = {}
    for name, given in data["channels"].items():
        state = np.zeros(rows, np.uint8)
        state[given.get("markers", [])] = MARKER
        state[given.get("unreadable", [])] = UNREADABLE
        read[name] = ReadChannel(values[name][keep], None, state[keep])
    none = np.zeros(len(keep), bool)
    record = TableRecord(table, time[keep], read, np.zeros(len(keep)), none, none)
    limits = in_force(data.get("climate"), None, data.get("rules"))
    return Scene(station, record, Sky(record.middle, latitude, longitude, elevation), limits, {})


def _unit(quantity: str) -> str:
    return "1" if quantity == "other" else units.spellings(quantity)[0]


def outcome(case: Case) -> dict[str, list[str] | str]:
    """For each channel that the case speaks of: the verdicts as words, `-` where not applied; or why it was not
    applied at all."""
    made = scene(case)
    check = registry()[case.check]
    found: dict[str, list[str] | str] = {}
    for channel in made.channels:
        if channel.name not in {**case.data.get("expect", {}), **case.data.get("not_applied", {})}:
            continue
        if not check.tests(channel):
            found[channel.name] = "not a channel of this check"
            continue
        lacking = [q for q in check.needs if q not in {c.quantity for c in made.channels}]
        result = NotApplied(f"no {lacking[0]} channel") if lacking else check.run(made, channel)
        if isinstance(result, NotApplied):
            found[channel.name] = result.why
        else:
            assert isinstance(result, Found)
            assert not (result.verdict[~result.applied] > 0).any(), f"{case}: a verdict where the check does not apply"
            found[channel.name] = [
                str(v) if a else "-" for v, a in zip(result.verdict.tolist(), result.applied.tolist(), strict=True)
            ]
    return found
