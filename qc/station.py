"""The station file: one station's site, clock, tables and channels as a validated model.

`load(path)` is the only door. Every problem found is told in one line, with the key where it stands and how to mend it.
The form is contract section 3; `fairvane draft` writes a station file from tables.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)

from qc import tomlfile, units
from qc.durations import seconds
from qc.errors import StationFileError, nearest, printable
from qc.places import folder
from qc.quantities import quantities

_NAME = r"[A-Za-z][A-Za-z0-9_]{0,40}"
_TAKEN = ("_verdict", "_checks", "_read", "_corrected", "_usable")
STATION_ID = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,40}")
_LONGEST_TEXT = 400  # characters of a column's name; judgement, the longest seen has 60


# ---- values that may be written in more than one way: told in one message, not in one for each way


def _column(given: object) -> int | str:
    if isinstance(given, int) and not isinstance(given, bool) and given >= 1:
        return given
    if isinstance(given, str) and given.strip() and len(given) <= _LONGEST_TEXT:
        return given
    what = f"{_shown(given)} is no column" if _shown(given) else "is no column"
    raise ValueError(f"{what}; give its name as in the names row, or its position, counted from 1")


def _columns(given: object) -> int | str | list[int | str]:
    if isinstance(given, list) and given:
        return [_column(one) for one in given]
    return _column(given)


def _bounds(given: object) -> list[float]:
    if isinstance(given, list) and len(given) == 2 and all(_is_number(x) for x in given):
        return [float(x) for x in given]
    raise ValueError("is no list of two numbers; write it like [-40.0, 60.0]")


def _rising(given: object) -> list[float]:
    bounds = _bounds(given)
    if not bounds[0] < bounds[1]:
        raise ValueError(f"{bounds} does not rise; write the smaller number first")
    return bounds


def _resolution(given: object) -> float | list[list[float]]:
    if isinstance(given, int | float) and _is_number(given) and given > 0:
        return float(given)
    try:
        pairs = [_bounds(pair) for pair in given] if isinstance(given, list) else []
    except ValueError:
        pairs = []
    if not pairs:
        raise ValueError(
            "is no number above 0; write one, or a list like [[1000, 0.1], [2000, 1.0]]: up to which value, which step"
        )
    if any(step <= 0 for _, step in pairs) or [b for b, _ in pairs] != sorted({b for b, _ in pairs}):
        raise ValueError(
            "does not rise by value, or has a step that is not above 0; write it like [[1000, 0.1], [2000, 1.0]]"
        )
    return pairs


def _is_number(given: object) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool) and math.isfinite(given)


def _moment(given: object) -> datetime:
    if not isinstance(given, datetime) or given.tzinfo is None:
        raise ValueError("is no time with a zone, without quotes; write it like 2026-03-01T00:00:00Z")
    try:
        return given.astimezone(UTC) and given
    except OverflowError:
        raise ValueError("lies outside the years 1 to 9999") from None


def _duration(given: object) -> str:
    seconds(given)
    return str(given)


def _said(call: Callable[..., Any], *arguments: Any) -> None:
    """Run a reader for its errors: they become problems of the key at hand."""
    try:
        call(*arguments)
    except StationFileError as error:
        raise ValueError(f"{error.what}; {error.mend}" if error.mend else error.what) from None


def _shown(given: object) -> str:
    """A plain value as it may stand in a message, else an empty string."""
    if isinstance(given, bool):
        return str(given).lower()
    return printable(repr(given), 44) if isinstance(given, str | int | float) else ""


Duration = Annotated[str, PlainValidator(_duration)]
Column = Annotated[int | str, PlainValidator(_column)]
Columns = Annotated[int | str | list[int | str], PlainValidator(_columns)]
Bounds = Annotated[list[float], PlainValidator(_rising)]
Resolution = Annotated[float | list[list[float]], PlainValidator(_resolution)]
Moment = Annotated[datetime, PlainValidator(_moment)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True, str_max_length=4000)


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
            raise ValueError(f"{_shown(value)} is no id; an id is a letter and then up to 40 letters, digits, _ or -")
        return value

    @field_validator("climate")
    @classmethod
    def _climate(cls, value: str | None) -> str | None:
        if value is not None and value not in (known := climates()):
            raise ValueError(f"{_shown(value)} is no climate{nearest(value, known)}; choose from {', '.join(known)}")
        return value

    @field_validator("visits", "decisions", "corrections")
    @classmethod
    def _inside(cls, value: str | None) -> str | None:
        if value is not None:
            path = Path(value)
            if path.is_absolute() or ".." in path.parts or "\x00" in value or "\\" in value or not path.name:
                raise ValueError(
                    f"{_shown(value)} leaves the folder of the station file; put the log there and give its name alone"
                )
        return value


class Clock(_Model):
    """`[[clock]]`: one period of the logger clock."""

    from_: Moment | None = Field(default=None, alias="from")
    utc_offset: str | None = None
    time_zone: str | None = None
    minutes_ahead: float = Field(default=0.0, ge=-527040, le=527040, allow_inf_nan=False)

    @field_validator("utc_offset")
    @classmethod
    def _offset(cls, value: str | None) -> str | None:
        from qc.read.clock import parse_offset

        if value is not None:
            _said(parse_offset, value)
        return value

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        from qc.read.clock import zone

        if value is not None:
            _said(zone, value)
        return value

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.utc_offset is None and self.time_zone is None:
            raise ValueError(
                'has neither utc_offset nor time_zone; give utc_offset (like "+01:00"), '
                'or time_zone (like "Europe/London") where the clock follows summer time'
            )
        if self.utc_offset is not None and self.time_zone is not None:
            raise ValueError(
                "has both utc_offset and time_zone; keep time_zone only where the clock follows summer time"
            )
        return self


class Time(_Model):
    """`time`: the columns that hold the stamp and how it is written."""

    columns: list[Column] = Field(min_length=1, max_length=6)
    format: str = Field(max_length=60)

    @field_validator("format")
    @classmethod
    def _readable(cls, value: str) -> str:
        from qc.read.stamps import StampFormat

        _said(StampFormat.compile, value)
        return value


class Layout(_Model):
    """`[[table.layout]]`: one layout that the files of a table have had."""

    names: list[Annotated[str, Field(max_length=_LONGEST_TEXT)]]
    decimal: Literal[".", ","]
    missing: list[str]
    time: Time

    @model_validator(mode="after")
    def _known(self) -> Self:
        if self.names and not all(name.strip() for name in self.names):
            raise ValueError(
                "names holds an empty text; give names that the names row has, or [] where the files have none"
            )
        if not self.names and not all(isinstance(column, int) for column in self.time.columns):
            raise ValueError("names is empty, so time.columns cannot be names; give positions, counted from 1")
        return self


class Select(_Model):
    """`select`: which rows of a file with several stations are this station's."""

    column: Column
    equals: str


class Table(_Model):
    """`[[table]]`: one table that the logger writes."""

    id: str
    kind: Literal["interval", "event"] = "interval"
    interval: Duration | None = None
    stamps: Literal["end", "start", "instant"] | None = None
    stray: Duration | None = None
    line_counter: Column | None = None
    select: Select | None = None
    layout: list[Layout] = Field(min_length=1)

    @field_validator("id")
    @classmethod
    def _id(cls, value: str) -> str:
        if not STATION_ID.fullmatch(value):
            raise ValueError(f"{_shown(value)} is no id; an id is a letter and then up to 40 letters, digits, _ or -")
        return value

    @model_validator(mode="after")
    def _decided(self) -> Self:
        problems = []
        if self.kind == "interval" and self.interval is None:
            problems.append('interval is missing (like "10min"); `fairvane draft` finds it from tables')
        if self.kind == "interval" and self.stamps is None:
            problems.append(
                "stamps is missing (end, start or instant); `fairvane draft` finds it where the sun shows it"
            )
        if self.interval is not None and 2 * self.stray_s >= seconds(self.interval):
            problems.append(
                "stray reaches half of the interval or more, so no stamp could be off the grid; make it smaller"
            )
        if (
            self.line_counter is not None
            and not any(layout.names for layout in self.layout)
            and isinstance(self.line_counter, str)
        ):
            problems.append("line_counter is a name, but no layout has names; give a position, counted from 1")
        if (
            self.select is not None
            and any(not layout.names for layout in self.layout)
            and isinstance(self.select.column, str)
        ):
            problems.append("select.column is a name, but a layout has no names; give a position, counted from 1")
        if problems:
            raise ValueError("; ".join(problems))
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


class Place(_Model):
    """`at`: where a sensor hangs, seen from the mast."""

    bearing: float = Field(ge=0, le=360)
    distance: float = Field(ge=0, le=1000)


class Deployment(_Model):
    """`[[channel.deployment]]`: one period that a sensor hung there."""

    from_: Moment = Field(alias="from")
    serial: str | None = None
    certificate: str | None = None
    calibrated: date | None = None
    calibration_due: date | None = None
    range: Bounds | None = None
    resolution: Resolution | None = None
    unit: str | None = None
    height: float | None = Field(default=None, ge=-100, le=1000)
    device: str | None = None


Statistic = Literal["mean", "vector-mean", "sample", "total", "counter", "max", "min", "sd"]


class Channel(_Model):
    """`[[channel]]`: one measured column."""

    name: str
    table: str = ""
    quantity: str
    column: Columns
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
            raise ValueError(f"{_shown(value)} is no name; a name is a letter and then up to 40 letters, digits or _")
        if value.casefold() in ("time", "all") or value.casefold().endswith(_TAKEN):
            raise ValueError(f"'{value}' is taken by the outputs; choose another name")
        return value

    @field_validator("quantity")
    @classmethod
    def _quantity(cls, value: str) -> str:
        if value not in quantities():
            near = nearest(value, quantities())
            raise ValueError(f"{_shown(value)} is no quantity{near or '; choose from ' + ', '.join(quantities())}")
        return value

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.north == "magnetic":
            if self.quantity != "wind_direction":
                raise ValueError("north is for wind_direction only; take it out")
            if self.declination is None:
                raise ValueError("north is magnetic, but declination is missing; give it in degrees, east positive")
        starts = [d.from_ for d in self.deployment]
        if starts != sorted(starts) or len(set(starts)) < len(starts):
            raise ValueError("deployments stand in the order of their from, each later than the one before; sort them")
        return self

    @property
    def columns(self) -> list[Column]:
        """Every column that this channel has been, in the order given."""
        return self.column if isinstance(self.column, list) else [self.column]

    @property
    def on_device(self) -> str:
        """Its device; a channel without one is a device of its own."""
        return self.device or f"{self.name} alone"

    @property
    def output_unit(self) -> str:
        """The unit of its values in outputs: that of its quantity; of `other` the one that its column has."""
        return quantities()[self.quantity].unit or self.unit


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
        if any(c.from_ is None for c in value[1:]):
            raise ValueError("only the first clock entry may leave out its from; give it to the others")
        known = [c.from_ for c in value if c.from_ is not None]
        if known != sorted(known) or len(set(known)) < len(known):
            raise ValueError(
                "clock entries stand in the order of their from, each later than the one before; sort them"
            )
        # nothing is known of the clock before its history begins, so the first entry holds since ever
        return [value[0].model_copy(update={"from_": None}), *value[1:]]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        problems = [*self._tables(), *self._names()]
        if not problems:  # which table a channel stands in is known now
            problems = [*self._shared_columns(), *self._units()]
        if problems:
            raise ValueError("; ".join(problems[:3]) + (f"; and {len(problems) - 3} more" if len(problems) > 3 else ""))
        return self

    def _tables(self) -> list[str]:
        ids = [t.id.casefold() for t in self.table]
        return [
            f"table id '{t.id}' stands twice; ids are unique without regard to case"
            for n, t in enumerate(self.table)
            if t.id.casefold() in ids[:n]
        ]

    def _names(self) -> list[str]:
        problems: list[str] = []
        ids = [t.id for t in self.table]
        folded: dict[str, str] = {}
        for number, channel in enumerate(self.channel, 1):
            where = f"channel[{number}] ({channel.name})"
            if channel.name.casefold() in folded:
                other = folded[channel.name.casefold()]
                problems.append(f"{where}: '{other}' has the same name; names are unique without regard to case")
            folded.setdefault(channel.name.casefold(), channel.name)
            if not channel.table and len(ids) > 1:
                problems.append(f"{where}: table is missing; give one of {printable(', '.join(ids), 80)}")
            elif channel.table and channel.table not in ids:
                problems.append(
                    f"{where}: there is no table '{printable(channel.table, 40)}'{nearest(channel.table, ids)}"
                )
        return problems

    def _shared_columns(self) -> list[str]:
        problems: list[str] = []
        columns: dict[tuple[str, str], str] = {}
        for number, channel in enumerate(self.channel, 1):
            table = self.table_of(channel)
            for column in channel.columns:
                other = columns.setdefault((table.id, str(column).strip()), channel.name)
                if other != channel.name:
                    told = f"column '{printable(column, 40)}' is channel {other}'s already; a column is one channel's"
                    problems.append(f"channel[{number}] ({channel.name}): {told}")
            if not any(layout.names for layout in table.layout) and not any(
                isinstance(c, int) for c in channel.columns
            ):
                told = "column is a name, but no layout has names; give a position, counted from 1"
                problems.append(f"channel[{number}] ({channel.name}): {told}")
        return problems

    def _units(self) -> list[str]:
        problems: list[str] = []
        for number, channel in enumerate(self.channel, 1):
            periods = [
                ("", channel.unit),
                *((f".deployment[{n}]", d.unit) for n, d in enumerate(channel.deployment, 1)),
            ]
            for place, unit in periods:
                try:
                    if unit is not None:
                        _said(units.conversion, channel.quantity, unit, self.table_of(channel).interval_s)
                except ValueError as error:
                    problems.append(f"channel[{number}] ({channel.name}){place}.unit: {error}")
        return problems

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


@cache
def climates() -> tuple[str, ...]:
    """Names of the climates in `rules/climates`."""
    return tuple(sorted(p.stem for p in (folder("rules") / "climates").glob("*.toml")))


def load(path: Path | str) -> Station:
    """Read and check a station file.

    Raises
    ------
    StationFileError
        if the file cannot be read, is no TOML, or does not describe a station; one line, with the key.
    """
    path = Path(path)
    raw = tomlfile.read(
        path, error=StationFileError, what=_WHAT, mend="give a station file; `fairvane draft` writes one"
    )
    return parse(raw, where=printable(path, 200), path=path)


def parse(raw: bytes, *, where: str = "station file", path: Path | None = None) -> Station:
    """A station from the bytes of its file; errors as in `load`."""
    data = tomlfile.parse(raw, where=where, error=StationFileError, what=_WHAT)
    if not data:
        raise StationFileError("is empty", where=where, mend="`fairvane draft` writes a station file from tables")
    try:
        station = Station.model_validate(data)
    except ValidationError as error:
        raise StationFileError(_told(error, data), where=where) from None
    station._path = path
    station._sha256 = hashlib.sha256(raw).hexdigest()
    return station


# ---- the model's errors in plain words

_WHAT = "station file"
_DRAFTED = {
    "station",
    "unit",
    "time",
    "format",
    "decimal",
    "missing",
    "names",
    "columns",
    "clock",
    "layout",
    "table",
    "channel",
    "quantity",
    "column",
}
_MANY = {"clock", "table", "layout", "channel", "deployment", "horizon"}  # written with two brackets
_WRITTEN = {
    "string_type": 'is no text; write it in quotes, like "..."',
    "float_type": "is no number; give one, without quotes",
    "finite_number": "is no finite number; give one",
    "bool_type": "is neither true nor false",
    "date_type": "is no date; write it without quotes, like 2026-02-11",
    "string_too_long": "is too long; shorten it",
}


def _told(error: ValidationError, data: Mapping[str, Any]) -> str:
    """All problems of a station file in one line, the first three in full."""
    problems: dict[str, str] = {}
    found = error.errors(include_url=False)
    meant = {(*one["loc"][:-1], _meant(one["loc"])) for one in found if one["type"] == "extra_forbidden"}
    for one in found:
        if not (one["type"] == "missing" and one["loc"] in meant):  # it is there, misspelt
            problems.setdefault(_key(one["loc"], data), _one(one))
    lines = [f"{key}: {told}" if key else told for key, told in problems.items()]
    more = f"; and {len(lines) - 3} more" if len(lines) > 3 else ""
    return "; ".join(lines[:3]) + more


def _key(loc: Sequence[int | str], data: Any) -> str:
    """A key as a person finds it: `channel[3] (rh).unit` is the unit of the third channel, which is called rh."""
    text = ""
    for part in loc:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            data = None
        if isinstance(part, int):
            name = (
                next((data[k] for k in ("name", "id") if isinstance(data.get(k), str)), None)
                if isinstance(data, dict)
                else None
            )
            text += f"[{part + 1}]" + (f" ({printable(name, 41)})" if name else "")
        else:
            text += f"{'.' if text else ''}{printable(part, 40)}"
    return text


def _one(error: Any) -> str:
    """What is wrong with one key, and how to mend it."""
    kind, loc, given, context = error["type"], error["loc"], error["input"], error.get("ctx", {})
    key = next((part for part in reversed(loc) if isinstance(part, str)), "")
    shown = _shown(given)
    many = f"is no list of tables; write [[{'.'.join(p for p in loc if isinstance(p, str))}]], with two brackets"
    if kind == "value_error":
        return str(context["error"])
    if kind == "missing":
        return "is missing; `fairvane draft` writes it from tables" if key in _DRAFTED else "is missing; add it"
    if kind == "extra_forbidden":
        near = f" (nearest known: {_meant(loc)})" if _meant(loc) else f"; known here are {', '.join(_known_keys(loc))}"
        return f"is no key of a station file{near}"
    if kind == "literal_error":
        return f"{shown or 'it'} is none of {context['expected']}; choose one of them"
    if kind == "too_short":
        return f"is empty; give one [[{key}]] at least" if key in _MANY else "is empty; give one at least"
    if kind == "too_long":
        return f"has more than {context['max_length']} entries; take some out"
    if kind in ("greater_than_equal", "less_than_equal"):
        side, end, key = ("below", "least", "ge") if kind == "greater_than_equal" else ("above", "most", "le")
        return f"{shown} is {side} {context[key]:g}, the {end} it can be; mend it"
    if kind == "list_type":
        return many if key in _MANY else "is no list; write it in square brackets"
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return many if key in _MANY else f"is no table of keys; write it as [{key}], or in curly brackets"
    text = _WRITTEN.get(kind) or error["msg"][:1].lower() + error["msg"][1:]
    return f"{shown} {text}" if shown else text


def _meant(loc: Sequence[int | str]) -> str:
    """The key that a misspelt one stands for; empty where none is near."""
    return nearest(str(loc[-1]), _known_keys(loc)).removeprefix(" (nearest known: ").removesuffix(")")


def _known_keys(loc: Sequence[int | str]) -> list[str]:
    parents: dict[str, type[BaseModel]] = {
        "": Station,
        "station": Site,
        "clock": Clock,
        "table": Table,
        "layout": Layout,
        "time": Time,
        "select": Select,
        "channel": Channel,
        "deployment": Deployment,
        "horizon": Horizon,
        "at": Place,
    }
    names = [p for p in loc[:-1] if isinstance(p, str)]
    return [f.alias or n for n, f in parents[names[-1] if names else ""].model_fields.items()]
