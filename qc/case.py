"""Case: one table of a station as the tests of faults see it.

Beside the record stand the sun and a typical clear sky, the verdicts that the chain left, and figures that several
tests share, made when first asked for. What an earlier finding spoilt is missing in it (`without`); what an earlier
finding could be undone stands mended in the record that it was made from (`qc.diagnosis`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.logs import NO_LOGS, Logs, Visit
from qc.moments import clock_entries
from qc.neighbours import Neighbour
from qc.physics import clear_sky
from qc.read import clock
from qc.record import SECOND, TableRecord, Times
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Channel, Station
from qc.verdicts import BIT, DOUBTFUL, WRONG, Bools, ChannelVerdicts, Floats

Ints = NDArray[np.int64]
T = TypeVar("T")

TYPICAL_AIR = 3.5
"""Linke turbidity of usual air (from memory: Kasten 1996, Solar Energy 56, 239: 2 clean and cold, 3 clean and warm, 4
to 6 moist or stagnant): the middle of what stations see. Measured on roof: clear days at 0.97 of a sky of 3.0, 1.07 of
one of 4.5."""

ISOLATED = ("range", "climate", "step", "spike", "common-mode", "visit")
"""Checks whose doubt is about single values: `sound` leaves those out, so that a spike is no evidence of a fault. What
other checks leave no test of a fault sees, so that diagnosis needs a chain of these alone."""

_DAY_US = 86_400 * SECOND


class Case:
    """One table under diagnosis.

    Parameters
    ----------
    station : Station
    table : TableRecord
    sky : Sky
    limits : Limits
        of the faults (`qc.limits.of_faults`).
    check_limits : Limits
        of the checks, for the Scene.
    verdicts : mapping
        what the chain left on each channel.
    logs : Logs
    neighbours : sequence of Neighbour
    missing : mapping
        for each channel the values that an earlier finding spoilt.
    """

    def __init__(
        self,
        station: Station,
        table: TableRecord,
        sky: Sky,
        limits: Limits,
        check_limits: Limits,
        verdicts: Mapping[str, ChannelVerdicts],
        logs: Logs = NO_LOGS,
        neighbours: Sequence[Neighbour] = (),
        missing: Mapping[str, Bools] | None = None,
    ) -> None:
        self.station, self.table, self.sky, self.limits, self.logs = station, table, sky, limits, logs
        self.check_limits, self.verdicts, self.neighbours = check_limits, verdicts, tuple(neighbours)
        self.missing: Mapping[str, Bools] = dict(missing or {})
        self.scene = Scene(station, table, sky, check_limits, self.missing, None, logs, neighbours)
        self.shared: dict[str, Any] = {}  # figures that several tests share, by a key of their own

    # ---- the table

    @property
    def time(self) -> Times:
        """UTC stamps, in order, shape (n,)."""
        return self.table.time

    @property
    def rows(self) -> int:
        """Number of rows, n."""
        return self.table.rows

    @property
    def interval_s(self) -> float:
        """Interval of the table, s; 0 for events."""
        return self.table.table.interval_s or 0.0

    @property
    def channels(self) -> list[Channel]:
        """Channels of the table that have a quantity."""
        return [c for c in self.scene.channels if c.quantity != "other"]

    def of(self, *quantities: str, extremes: bool = False) -> list[Channel]:
        """Channels of some quantities; those of maxima, minima and deviations only with `extremes`. The least voltage
        of a battery is what many loggers report of it: it counts as its voltage."""
        found = self.scene.of(*quantities)
        if extremes:
            return found
        level = ("battery_voltage", "min")
        return [c for c in found if c.statistic not in ("max", "min", "sd") or (c.quantity, c.statistic) == level]

    def values(self, channel: Channel) -> Floats:
        """Values in the output unit, NaN where none, shape (n,); less what an earlier finding spoilt."""
        return self.scene.values(channel)

    def once(self, key: str, make: Callable[[], T]) -> T:
        """A figure that several tests (or several steps of one) share, by a key of its own: made when first asked for.
        It must depend on the case alone."""
        if key not in self.shared:
            self.shared[key] = make()
        found: T = self.shared[key]
        return found

    def sound(self, channel: Channel) -> Floats:
        """As `values`, without those that a check of single values doubts, and those of a visit."""
        return self.once(f"sound;{channel.name}", lambda: self._sound(channel))

    def _sound(self, channel: Channel) -> Floats:
        values, found = self.values(channel), self.verdicts.get(channel.name)
        bits = np.uint64(sum(1 << BIT[i] for i in ISOLATED))
        if found is None or not (found.failed & bits).any():
            return values
        bad = np.zeros(self.rows, bool)
        for check in ISOLATED:
            failure = found.failures.get(check)
            if failure is not None:
                bad[failure.rows[(failure.verdict >= DOUBTFUL) & (failure.verdict <= 3)]] = True
        return np.where(bad, np.nan, values)

    def condemned(self, channel: Channel) -> bool:
        """Whether the chain calls more than half (judgement) of a channel's values doubtful or worse.

        Injections ask it: in a dead input no other fault can be seen.
        """
        found = self.verdicts.get(channel.name)
        if found is None:
            return False
        here = np.isfinite(self.table.channels[channel.name].values)
        codes = found.merged(here)[here]
        return bool(len(codes) and np.isin(codes, (DOUBTFUL, WRONG)).mean() > 0.5)

    def quantum(self, channel: Channel) -> Floats:
        """Declared resolution at each value, in the output unit; 0 where none is declared. Not to be written to."""
        return self.once(f"quantum;{channel.name}", lambda: self.scene.quantum(channel))

    def device(self, channel: Channel) -> str | None:
        """The device that the station file (its last deployment) names for a channel; None where it names none."""
        return next((d.device for d in reversed(channel.deployment) if d.device), channel.device)

    def mate(self, *quantities: str) -> Channel | None:
        """The first channel of the first of some quantities that the table has values of."""
        for quantity in quantities:
            for channel in self.of(quantity):
                if np.isfinite(self.values(channel)).any():
                    return channel
        return None

    @property
    def warmth(self) -> float | None:
        """Middle air temperature, degC; None where none is measured, or no air is so (-60 to 50 degC)."""
        air = self.mate("air_temperature")
        middle = float(np.nanmedian(self.values(air))) if air is not None else np.nan
        return middle if -60.0 < middle < 50.0 else None

    def limit(self, fault: str, key: str) -> float:
        """A number that the test of a fault goes by, from `rules/faults`, for this table's interval."""
        return self.limits.number(fault, key, self.interval_s or None)

    # ---- the sun

    @property
    def elevation(self) -> Floats:
        """Apparent elevation of the sun in the middle of each interval, degrees, shape (n,)."""
        return 90.0 - self.sky.position.apparent_zenith

    @property
    def azimuth(self) -> Floats:
        """Azimuth of the sun, degrees from true north, shape (n,)."""
        return self.sky.position.azimuth

    @cached_property
    def clear(self) -> clear_sky.ClearSky:
        """Irradiance under a clear sky of usual air, W/m2, shape (n,)."""
        position, extra = self.sky.position, self.sky.extraterrestrial
        return clear_sky.ineichen(position.apparent_zenith, TYPICAL_AIR, self.sky.elevation, extra)

    @cached_property
    def night(self) -> Bools:
        """Where the sun stands more than 6 degrees below the horizon."""
        return 90.0 - self.sky.position.zenith < -6.0

    @cached_property
    def solar_day(self) -> Ints:
        """Number of the day by mean local solar time, from midnight to midnight, since 1970, shape (n,)."""
        us = self.table.middle.astype("datetime64[us]").astype(np.int64)
        return np.asarray(np.floor_divide(us + round(self.sky.longitude * 240 * SECOND), _DAY_US))

    @cached_property
    def solar_hour(self) -> Floats:
        """Mean local solar time, hours from 0 to below 24, shape (n,)."""
        us = self.table.middle.astype("datetime64[us]").astype(np.int64) + round(self.sky.longitude * 240 * SECOND)
        return np.asarray((us % _DAY_US) / (3600.0 * SECOND))

    def clearness(self, channel: Channel) -> Floats:
        """Global irradiance over that of a clear sky of usual air, where the sun is above 5 degrees; NaN elsewhere."""
        high = self.elevation > 5.0
        return np.where(high, self.values(channel) / np.maximum(self.clear.ghi, 1.0), np.nan)

    # ---- spans

    @property
    def first(self) -> np.datetime64:
        """UTC of the first row."""
        first: np.datetime64 = self.time[0]
        return first

    @property
    def last(self) -> np.datetime64:
        """UTC of the last row."""
        last: np.datetime64 = self.time[-1]
        return last

    @property
    def span_s(self) -> float:
        """Seconds from the first row to the last, the interval of the first included; 0 without rows."""
        if not self.rows:
            return 0.0
        return float((self.last - self.first) / np.timedelta64(1, "us")) / SECOND + self.interval_s

    def live_s(self, *channels: Channel) -> float:
        """Seconds for which all of some channels have a value."""
        if not channels or not self.rows:
            return 0.0
        here = np.logical_and.reduce([np.isfinite(self.values(c)) for c in channels])
        return float(here.sum()) * self.interval_s

    @cached_property
    def consecutive(self) -> Bools:
        """Whether a row lies one interval after the row before it; False in the first."""
        return self.scene.follows

    def logger_clock(self, utc: Times) -> Times:
        """What the logger clock shows at some moments, as the station file says."""
        if not len(utc):
            return utc
        return clock.to_logger_clock(utc, clock.timeline(clock_entries(self.station), utc.min(), utc.max()))

    def visits(self, channel: str, effects: Sequence[str] = ()) -> list[Visit]:
        """Visits in the log that touch a channel (or all), of some effects."""
        found = self.logs.visits or ()
        return [
            v for v in found if (channel in v.channels or "all" in v.channels) and (not effects or v.effect in effects)
        ]

    def without(self, channels: Sequence[str], first: np.datetime64, last: np.datetime64) -> Case:
        """The same without the values of some channels in a period, both ends included."""
        missing = dict(self.missing)
        span = (self.time >= first) & (self.time <= last)
        for name in channels:
            missing[name] = missing.get(name, np.zeros(self.rows, bool)) | span
        return Case(
            self.station, self.table, self.sky, self.limits, self.check_limits, self.verdicts, self.logs,
            self.neighbours, missing,
        )  # fmt: skip
