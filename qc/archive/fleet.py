"""The fleet file: which stations a nightly run looks after, where their files arrive, where store and outbox lie.

Paths are relative to the folder of the fleet file. The form is contract section 9.
"""

from __future__ import annotations

import fnmatch
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qc import tomlfile
from qc.errors import StationFileError, nearest, printable

_MEND = "give a fleet file"
_FLEET = {"store", "outbox", "largest_file_mb", "silent_after_hours", "diagnose_days", "rerun_months", "rules"}
_STATION = {"file", "inbox", "neighbours", "own_inbox"}

LARGEST_FILE_MB = 200.0
"""MB above which a file in an inbox is left alone (judgement: a year at 1 min with 12 channels has 50 MB)."""

SILENT_AFTER_HOURS = 26.0
"""Hours without a new row after which a station is silent (judgement: one missed daily download)."""

DIAGNOSE_DAYS = 28.0
"""Days that diagnosis looks at each night (judgement: a clock is known to a minute after 28 days)."""

RERUN_MONTHS = 600
"""Station-months that a new version of Fairvane re-runs in one night (judgement: some ten minutes)."""


class FleetFileError(StationFileError):
    """A fleet file that cannot be used."""


@dataclass(frozen=True)
class Member:
    """One station of a fleet: its station file, the pattern of its inbox, the ids of its neighbours.

    With `own_inbox` no file there is taken for another station's.
    """

    file: Path
    inbox: Path
    neighbours: tuple[str, ...] = ()
    own_inbox: bool = False

    def files(self) -> list[Path]:
        """Plain files in the inbox that fit its pattern, by name; links and devices are left alone."""
        found = []
        try:
            with os.scandir(self.inbox.parent) as entries:
                for entry in entries:
                    if not fnmatch.fnmatch(entry.name, self.inbox.name) or entry.is_symlink():
                        continue
                    if stat.S_ISREG(entry.stat(follow_symlinks=False).st_mode):
                        found.append(Path(entry.path))
        except FileNotFoundError:
            return []
        return sorted(found)


@dataclass(frozen=True)
class Fleet:
    """A fleet file, its paths resolved."""

    path: Path
    store: Path
    outbox: Path
    stations: tuple[Member, ...]
    rules: Path | None = None
    largest_file_mb: float = LARGEST_FILE_MB
    silent_after_hours: float = SILENT_AFTER_HOURS
    diagnose_days: float = DIAGNOSE_DAYS
    rerun_months: int = RERUN_MONTHS


def load(path: Path) -> Fleet:
    """Read a fleet file.

    Raises
    ------
    FleetFileError
        if it cannot be read, is no TOML, or does not describe a fleet; one line, with the key.
    """
    where = printable(path, 200)
    raw = tomlfile.read(path, error=FleetFileError, what="fleet file", mend=_MEND)
    data = tomlfile.parse(raw, where=where, error=FleetFileError, what="fleet file")
    if unknown := sorted(set(data) - {"fleet", "station"}):
        raise FleetFileError(
            f"knows no table [{printable(unknown[0], 40)}]", where=where, mend="it has [fleet] and [[station]]"
        )
    head, members = data.get("fleet"), data.get("station")
    if not isinstance(head, dict) or not isinstance(members, list) or not members:
        what = "has no [fleet]" if not isinstance(head, dict) else "has no [[station]]"
        raise FleetFileError(what, where=where, mend="write [fleet] with store and outbox, and a [[station]] for each")
    folder = path.parent
    _known(head, _FLEET, f"{where}: fleet")
    stations = tuple(_member(m, folder, f"{where}: station {n}") for n, m in enumerate(members, 1))
    files = [m.file for m in stations]
    if len(set(files)) < len(files):
        twice = next(f for n, f in enumerate(files) if f in files[:n])
        raise FleetFileError("stands twice", where=f"{where}: {printable(twice.name, 80)}", mend="take one entry out")
    asked = [key for key in head if key not in ("store", "outbox", "rules")]
    numbers: dict[str, Any] = {key: _number(head, key, f"{where}: fleet.{key}") for key in asked}
    if "rerun_months" in numbers:
        numbers["rerun_months"] = int(numbers["rerun_months"])
    store, outbox = (_path(head, key, folder, f"{where}: fleet") for key in ("store", "outbox"))
    rules = _path(head, "rules", folder, f"{where}: fleet") if "rules" in head else None
    return Fleet(path, store, outbox, stations, rules, **numbers)


def _member(entry: Any, folder: Path, where: str) -> Member:
    if not isinstance(entry, dict):
        raise FleetFileError("is no table", where=where, mend="write [[station]] with file and inbox")
    _known(entry, _STATION, where)
    neighbours = entry.get("neighbours", [])
    if not isinstance(neighbours, list) or not all(isinstance(n, str) for n in neighbours):
        raise FleetFileError(
            "is no list of station ids", where=f"{where}: neighbours", mend='write it like ["hay-loft"]'
        )
    inbox = _path(entry, "inbox", folder, where)
    if any(sign in str(inbox.parent) for sign in "*?["):
        raise FleetFileError(
            "has a pattern in a folder", where=f"{where}: inbox", mend="put the pattern into the last part alone"
        )
    own = entry.get("own_inbox", False)
    if not isinstance(own, bool):
        raise FleetFileError(
            "is neither true nor false", where=f"{where}: own_inbox", mend="write true, or leave it out"
        )
    return Member(_path(entry, "file", folder, where), inbox, tuple(dict.fromkeys(neighbours)), own)


def _known(entry: dict[str, Any], keys: set[str], where: str) -> None:
    if unknown := sorted(set(entry) - keys):
        told = f"knows no key '{printable(unknown[0], 40)}'{nearest(unknown[0], keys)}"
        raise FleetFileError(told, where=where, mend=f"it takes {', '.join(sorted(keys))}")


def _path(entry: dict[str, Any], key: str, folder: Path, where: str) -> Path:
    value = entry.get(key)
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        what = "is missing" if key not in entry else "is no path"
        raise FleetFileError(what, where=f"{where}.{key}", mend="give a path, relative to the fleet file")
    return folder / value


def _number(entry: dict[str, Any], key: str, where: str) -> float:
    value = entry[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0 or value > 1e9:
        raise FleetFileError("is no number above 0", where=where, mend="give one")
    return float(value)
