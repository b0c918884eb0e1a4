"""The station file: one station's site, clock, tables and channels as a validated model.

`load(path)` is the only door. Every problem found is told in one line, with the key where it stands and how to mend it.
The form is contract section 3; `fairvane draft` writes a station file from tables.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, field_validator, model_validator

from qc import units
from qc.errors import StationFileError, nearest, printable
from qc.places import folder
from qc.quantities import quantities

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(s|sec|min|h|d)")
_DURATION_S = {"s": 1, "sec": 1, "min": 60, "h": 3600, "d": 86400}
_NAME = r"[A-Za-z][A-Za-z0-9_]{0,40}"
_TAKEN = ("_verdict", "_checks", "_read", "_corrected", "_usable")
STATION_ID = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,40}")
LARGEST_FILE = 4_000_000  # bytes; a station file is a few kB (judgement)


def seconds(text: str) -> float:
    """Seconds of a duration such as `10min`, `1h`, `30s`, `1d`; ValueError for anything else."""
    found = _DURATION.fullmatch(text.strip())
    if not found or float(found[1]) <= 0:
        raise ValueError(f"'{printable(text, 20)}' is no duration; write it like 30s, 10min, 1h or 1d")
    return float(found[1]) * _DURATION_S[found[2]]


Duration = Annotated[str, Field(max_length=20)]
Column = Annotated[int, Field(ge=1)] | Annotated[str, Field(max_length=400)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, str_max_length=4000)


class Site(_Model):
    """`[station]`: what and where."""

    id: str
    name: str = ""
    latitude: float = Field(ge=-90, le=90, allow_inf_nan=False)
    longitude: float = Field(ge=-180, le=180, allow_inf_nan=False)
    elevation: float = Field(ge=-450, le=9000, allow_inf_nan=False)
    climate: str | None = None
    visits: str | None = None
    decisions: str | None = None
    corrections: str | None = None

    @field_validator("id")
    @classmethod
    def _id(cls, value: str) -> str:
        if not STATION_ID.fullmatch(value):
            raise ValueError("an id is a letter and then up to 40 letters, digits, _ or -")
        return value

    @field_validator("climate")
    @classmethod
    def _climate(cls, value: str | None) -> str | None:
        if value is not None and value not in (known := climates()):
            raise ValueError(f"no climate of that name; choose from {', '.join(known)}")
        return value

    @field_validator("visits", "decisions", "corrections")
    @classmethod
    def _inside(cls, value: str | None) -> str | None:
        if value is not None:
            path = Path(value)
            if path.is_absolute() or ".." in path.parts or "\x00" in value or not path.name:
                raise ValueError("a log lies inside the folder of the station file; give its name alone")
        return value


class Clock(_Model):
    """`[[clock]]`: one period of the logger clock."""

    from_: datetime | None = Field(default=None, alias="from")
    utc_offset: str | None = None
    time_zone: str | None = None
    minutes_ahead: float = Field(default=0.0, ge=-527040, le=527040, allow_inf_nan=False)

    @field_validator("from_")
    @classmethod
    def _aware(cls, value: datetime | None) -> datetime | None:
        if value is not None and value.tzinfo is None:
            raise ValueError("needs a zone; write it like 2026-03-01T00:00:00Z")
        return value

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.utc_offset is None) == (self.time_zone is None):
            raise ValueError("needs either utc_offset or time_zone, and not both")
        return self


class Time(_Model):
    """`time`: the columns that hold the stamp and how it is written."""

    columns: list[Column] = Field(min_length=1, max_length=6)
    format: str = Field(min_length=2, max_length=60)


class Layout(_Model):
    """`[[table.layout]]`: one layout that the files of a table have had."""

    names: list[Annotated[str, Field(max_length=400)]]
    decimal: Literal[".", ","]
    missing: list[str]
    time: Time


class Select(_Model):
    """`select`: which rows of a file with several stations are this station's."""

    column: Column
    equals: str


class Table(_Model):
    """`[[table]]`: one table that the logger writes."""

    id: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,40}$")
    kind: Literal["interval", "event"] = "interval"
    interval: Duration | None = None
    stamps: Literal["end", "start", "instant"] | None = None
    stray: Duration | None = None
    line_counter: Column | None = None
    select: Select | None = None
    layout: list[Layout] = Field(min_length=1)

    @field_validator("interval", "stray")
    @classmethod
    def _duration(cls, value: str | None) -> str | None:
        if value is not None:
            seconds(value)
        return value

    @model_validator(mode="after")
    def _decided(self) -> Self:
        if self.kind == "interval" and self.interval is None:
            raise ValueError("an interval table needs its interval (like 10min); `fairvane draft` finds it from tables")
        if self.kind == "interval" and self.stamps is None:
            raise ValueError("needs stamps: end, start or instant; `fairvane draft` finds it where the sun shows it")
        return self

    @property
    def interval_s(self) -> float | None:
        """Interval in seconds; None for an event table."""
        return seconds(self.interval) if self.interval else None

    @property
    def stray_s(self) -> float:
        """Seconds that stamps may lie off the grid."""
        return seconds(self.stray) if self.stray else 0.0

    @property
    def side(self) -> str:
        """Which side of the interval stamps mark; `instant` for events."""
        return self.stamps or "instant"


Bounds = Annotated[list[float], Field(min_length=2, max_length=2)]
Resolution = Annotated[float, Field(gt=0, allow_inf_nan=False)] | list[Bounds]


class Place(_Model):
    """`at`: where a sensor hangs, seen from the mast."""

    bearing: float = Field(ge=0, le=360)
    distance: float = Field(ge=0, le=1000)


class Deployment(_Model):
    """`[[channel.deployment]]`: one period that a sensor hung there."""

    from_: datetime = Field(alias="from")
    serial: str | None = None
    certificate: str | None = None
    calibrated: date | None = None
    calibration_due: date | None = None
    range: Bounds | None = None
    resolution: Resolution | None = None
    unit: str | None = None
    height: float | None = None
    device: str | None = None

    @field_validator("from_")
    @classmethod
    def _aware(cls, value: datetime) -> datetime:
        if value.tzinfo is None:
            raise ValueError("needs a zone; write it like 2026-03-01T00:00:00Z")
        return value


Statistic = Literal["mean", "vector-mean", "sample", "total", "counter", "max", "min", "sd"]


class Channel(_Model):
    """`[[channel]]`: one measured column."""

    name: str
    table: str = ""
    quantity: str
    column: Column | Annotated[list[Column], Field(min_length=1)]
    unit: str
    missing: list[str] = []
    statistic: Statistic | None = None
    height: float | None = Field(default=None, ge=-100, le=1000)
    range: Bounds | None = None
    resolution: Resolution | None = None
    device: str | None = None
    rail: str | None = None
    at: Place | None = None
    north: Literal["true", "magnetic"] = "true"
    declination: float | None = Field(default=None, ge=-180, le=180)
    sensor: str | None = None
    deployment: list[Deployment] = []

    @field_validator("name")
    @classmethod
    def _name(cls, value: str) -> str:
        if not re.fullmatch(_NAME, value):
            raise ValueError("a name is a letter and then up to 40 letters, digits or _")
        if value.casefold() in ("time", "all") or value.casefold().endswith(_TAKEN):
            raise ValueError(f"'{value}' is taken by the outputs; choose another name")
        return value

    @field_validator("quantity")
    @classmethod
    def _quantity(cls, value: str) -> str:
        if value not in quantities():
            raise ValueError(f"'{printable(value, 40)}' is no quantity{nearest(value, quantities())}")
        return value

    @field_validator("resolution")
    @classmethod
    def _ascending(cls, value: Resolution | None) -> Resolution | None:
        return _checked_resolution(value)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        for what in (self, *self.deployment):
            if what.range is not None and not what.range[0] < what.range[1]:
                raise ValueError(f"range {what.range} runs from the smaller to the larger number")
        if self.north == "magnetic":
            if self.quantity != "wind_direction":
                raise ValueError("only wind_direction has a north")
            if self.declination is None:
                raise ValueError("north = 'magnetic' needs declination, in degrees, east positive")
        starts = [d.from_ for d in self.deployment]
        if starts != sorted(starts) or len(set(starts)) < len(starts):
            raise ValueError("deployments stand in the order of their from, each later than the one before")
        return self

    @property
    def columns(self) -> list[Column]:
        """Every column that this channel has been, in the order given."""
        return self.column if isinstance(self.column, list) else [self.column]

    @property
    def on_device(self) -> str:
        """Its device; a channel without one is a device of its own."""
        return self.device or f"{self.name} alone"


def _checked_resolution(value: Resolution | None) -> Resolution | None:
    if isinstance(value, list):
        if not value or any(step <= 0 for _, step in value):
            raise ValueError("resolution by value is a list of [up to, resolution] with resolutions above 0")
        bounds = [bound for bound, _ in value]
        if bounds != sorted(set(bounds)):
            raise ValueError("resolution by value is listed by rising value")
    return value


class Horizon(_Model):
    """`[[horizon]]`: one point of what hides the sun for good."""

    azimuth: float = Field(ge=0, le=360)
    elevation: float = Field(ge=0, le=90)


class Station(_Model):
    """One station, as its file describes it."""

    station: Site
    clock: list[Clock] = Field(min_length=1)
    table: list[Table] = Field(min_length=1)
    channel: list[Channel] = Field(min_length=1, max_length=2000)
    horizon: list[Horizon] = []
    learnt: dict[str, Any] = {}
    rules: dict[str, Any] = {}

    _path: Path | None = PrivateAttr(default=None)
    _sha256: str = PrivateAttr(default="")

    @field_validator("clock")
    @classmethod
    def _history(cls, value: list[Clock]) -> list[Clock]:
        starts = [c.from_ for c in value[1:]]
        if value[0].from_ is not None and len(value) == 1:
            return value
        if any(s is None for s in starts):
            raise ValueError("only the first clock entry may leave out its from")
        known = [c.from_ for c in value if c.from_ is not None]
        if known != sorted(known) or len(set(known)) < len(known):
            raise ValueError("clock entries stand in the order of their from, each later than the one before")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        problems: list[str] = []
        ids = [t.id for t in self.table]
        problems += [f"table id '{i}' stands twice" for i in sorted({i for i in ids if ids.count(i) > 1})]
        folded: dict[str, str] = {}
        columns: dict[tuple[str, str], str] = {}
        for channel in self.channel:
            where = f"channel {channel.name}"
            other = folded.setdefault(channel.name.casefold(), channel.name)
            if other is not channel.name:
                problems.append(f"{where}: '{other}' has the same name; names are unique without regard to case")
            if not channel.table and len(ids) > 1:
                problems.append(f"{where}: needs table, one of {', '.join(ids)}")
            elif channel.table and channel.table not in ids:
                problems.append(f"{where}: there is no table '{printable(channel.table, 40)}'{nearest(channel.table, ids)}")
            for column in channel.columns:
                key = (self.table_of(channel).id if not problems else channel.table, str(column).strip())
                other = columns.setdefault(key, channel.name)
                if other != channel.name:
                    problems.append(f"{where}: column '{printable(column, 40)}' is channel {other}'s already")
            table = next((t for t in self.table if t.id == channel.table), self.table[0])
            for what in (channel, *channel.deployment):
                if what.unit is not None:
                    try:
                        units.conversion(channel.quantity, what.unit, table.interval_s)
                    except StationFileError as error:
                        problems.append(f"{where}: {error.what}")
        if problems:
            raise ValueError("; ".join(problems[:3]) + (f"; and {len(problems) - 3} more" if len(problems) > 3 else ""))
        return self

    @property
    def id(self) -> str:
        """The station's id."""
        return self.station.id

    @property
    def path(self) -> Path | None:
        """The file that it was read from."""
        return self._path

    @property
    def sha256(self) -> str:
        """SHA-256 of the file that it was read from."""
        return self._sha256

    def table_of(self, channel: Channel) -> Table:
        """The table that a channel stands in."""
        return next((t for t in self.table if t.id == channel.table), self.table[0])

    def channels_of(self, table: Table | str) -> list[Channel]:
        """The channels of one table, in the order of the file."""
        table_id = table if isinstance(table, str) else table.id
        return [c for c in self.channel if self.table_of(c).id == table_id]


def climates() -> list[str]:
    """Names of the climates in `rules/climates`."""
    return sorted(p.stem for p in (folder("rules") / "climates").glob("*.toml"))


def load(path: Path | str) -> Station:
    """Read and check a station file.

    Raises
    ------
    StationFileError
        if the file cannot be read, is no TOML, or does not describe a station; one line, with the key.
    """
    path = Path(path)
    where = printable(path, 200)
    try:
        if not path.is_file():
            kind = "is a folder" if path.is_dir() else "is no plain file" if path.exists() else "does not exist"
            raise StationFileError(f"{kind}", where=where, mend="give a station file, or make one with `fairvane draft`")
        if path.stat().st_size > LARGEST_FILE:
            raise StationFileError("is too large for a station file", where=where, mend="is it a table?")
        raw = path.read_bytes()
    except OSError as error:
        raise StationFileError(f"cannot be read ({error.strerror})", where=where) from None
    return parse(raw, where=where, path=path)


def parse(raw: bytes, *, where: str = "station file", path: Path | None = None) -> Station:
    """A station from the bytes of its file; errors as in `load`."""
    try:
        text = raw.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise StationFileError("is not UTF-8", where=f"{where}: line {line}", mend="save it as UTF-8") from None
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise StationFileError(f"is no TOML: {error}", where=where, mend="mend that line") from None
    try:
        station = Station.model_validate(data)
    except ValidationError as error:
        raise StationFileError(_told(error), where=where) from None
    station._path = path
    station._sha256 = hashlib.sha256(raw).hexdigest()
    return station


_NEEDS_DRAFT = {"unit", "interval", "stamps", "time", "format", "decimal", "missing", "names", "columns", "clock", "layout"}


def _told(error: ValidationError) -> str:
    """All problems of a station file in one line, the first three in full."""
    problems: dict[str, str] = {}
    for one in error.errors(include_url=False, include_context=False):
        key = _key(one["loc"])
        told = _one(one["type"], one["msg"], one["loc"], one.get("input"))
        problems.setdefault(key, told)  # a union tells each of its branches: the first is enough
    lines = [f"{key}: {told}" if key else told for key, told in problems.items()]
    more = f"; and {len(lines) - 3} more" if len(lines) > 3 else ""
    return "; ".join(lines[:3]) + more


def _key(loc: Sequence[int | str]) -> str:
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif re.fullmatch(r"[a-z_]+", part) and part not in ("str", "int", "float"):
            text += f".{part.removesuffix('_')}" if text else part.removesuffix("_")
        elif not re.match(r"(constrained-|function-|list\[|str$|int$|float$)", part):
            text += f".{printable(part, 40)}" if text else printable(part, 40)
    return text


def _one(kind: str, message: str, loc: Sequence[int | str], given: object) -> str:
    key = str(loc[-1]) if loc else ""
    if kind == "missing":
        mend = "; `fairvane draft` writes it from tables" if key in _NEEDS_DRAFT else ""
        return f"is missing{mend}"
    if kind == "extra_forbidden":
        known = _known_keys(loc)
        return f"is no key of a station file{nearest(key, known)}" if known else "is no key of a station file"
    if kind == "value_error":
        return message.removeprefix("Value error, ")
    text = message[0].lower() + message[1:]
    shown = printable(repr(given), 40) if isinstance(given, str | int | float | bool) else ""
    return f"{text.replace('input', shown or 'it', 1)}"


def _known_keys(loc: Sequence[int | str]) -> list[str]:
    parents: dict[str, type[BaseModel]] = {
        "": Station, "station": Site, "clock": Clock, "table": Table, "layout": Layout, "time": Time, "select": Select,
        "channel": Channel, "deployment": Deployment, "horizon": Horizon, "at": Place,
    }  # fmt: skip
    names = [p for p in loc[:-1] if isinstance(p, str)]
    model = parents.get(names[-1] if names else "")
    return [f.alias or n for n, f in model.model_fields.items()] if model else []
