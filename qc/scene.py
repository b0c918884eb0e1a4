"""Scene: what depends on values, computed lazily once a stage; values that an earlier stage condemned are missing in
it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.limits import Limits
from qc.logs import NO_LOGS, Logs
from qc.neighbours import Neighbour
from qc.physics import excursions, humidity, sun, windows
from qc.record import TableRecord, Times
from qc.sky import Sky
from qc.station import Channel, Station
from qc.verdicts import CHANGED, ESTIMATED, Bools, Floats

_TOGETHER = {
    "wind": ("wind_speed", "wind_gust", "wind_direction"),
    "air": ("air_temperature", "relative_humidity", "dew_point"),
    "pressure": ("air_pressure", "sea_level_pressure"),
}


_PAR_OF_GLOBAL = 2.05
"""umol of photosynthetically active radiation for each J of global irradiance (common practice: 2.0 to 2.1; measured
on roof: 1.87 to 2.07 in 9 of 10 values above 200 W/m2)."""


def _beside(a: Channel, b: Channel) -> bool:
    """Whether two hang at one height and place; half a metre up and ten metres away count as that (judgement)."""
    if (a.height is None) != (b.height is None) or abs((a.height or 0.0) - (b.height or 0.0)) > 0.5:
        return False
    if a.at is None or b.at is None:
        return True
    angle = np.radians(a.at.bearing - b.at.bearing)
    east, north = b.at.distance * np.sin(angle), a.at.distance - b.at.distance * np.cos(angle)
    return bool(np.hypot(east, north) <= 10.0)


class Scene:
    """One table as the checks of one stage see it.

    Parameters
    ----------
    station, table : Station, TableRecord
    sky : Sky
    limits : Limits
    condemned : mapping
        for each channel the values that earlier stages called wrong.
    as_of : datetime64[us] UTC, optional
        the moment after which stamps lie in the future.
    logs : Logs
        what people did at the station, decided about its values and want changed.
    neighbours : sequence of Neighbour
        nearest first.
    """

    def __init__(
        self,
        station: Station,
        table: TableRecord,
        sky: Sky,
        limits: Limits,
        condemned: Mapping[str, Bools],
        as_of: np.datetime64 | None = None,
        logs: Logs = NO_LOGS,
        neighbours: Sequence[Neighbour] = (),
    ) -> None:
        self.station, self.table, self.sky, self.limits, self.as_of = station, table, sky, limits, as_of
        self.logs, self.neighbours = logs, neighbours
        self._condemned = condemned
        self._values: dict[str, Floats] = {}
        self.shared: dict[str, Any] = {}  # arithmetic that the channels of one check share, by check id

    @property
    def time(self) -> Times:
        """UTC stamps, in order."""
        return self.table.time

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.table.rows

    @property
    def interval_s(self) -> float | None:
        """Interval of the table, s."""
        return self.table.table.interval_s

    @cached_property
    def channels(self) -> list[Channel]:
        """Channels of this table."""
        return self.station.channels_of(self.table.table)

    def values(self, channel: Channel) -> Floats:
        """Values in the output unit, NaN where there is none or an earlier stage condemned it."""
        if channel.name not in self._values:
            values = self.table.channels[channel.name].values
            condemned = self._condemned.get(channel.name)
            if condemned is not None and condemned.any():
                values = np.where(condemned, np.nan, values)
            self._values[channel.name] = values
        return self._values[channel.name]

    def companion(self, quantity: str) -> Floats | None:
        """Values of another quantity in the same rows: the first channel of it that has one. None where no channel
        has it."""
        found: Floats | None = None
        for channel in self.channels:
            if channel.quantity == quantity and channel.statistic not in ("max", "min", "sd"):
                values = self.values(channel)
                found = values if found is None else np.where(np.isnan(found), values, found)
        return found

    def condemned(self, channel: Channel) -> Bools:
        """Values that earlier stages called wrong."""
        found = self._condemned.get(channel.name)
        return np.zeros(self.rows, bool) if found is None else found

    def device_of(self, channel: Channel) -> str:
        """The device that a channel belongs to, as the last deployment names it."""
        return next((d.device for d in reversed(channel.deployment) if d.device), channel.on_device)

    def partner(self, channel: Channel, quantity: str) -> Channel | None:
        """The channel of another quantity that goes with one: of its device, else at its height, else the first.

        None where there is none."""
        others = [c for c in self.of(quantity) if c.name != channel.name and c.statistic not in ("max", "min", "sd")]
        device = self.device_of(channel)
        by_device = [c for c in others if self.device_of(c) == device]
        level = [c for c in others if c.height == channel.height]
        return next(iter([*by_device, *level, *others]), None)

    def together(self, quantity: str) -> list[list[Channel]]:
        """Channels of a quantity, in groups that hang at one height and place, as far as the station file says."""
        left = [c for c in self.of(quantity) if c.statistic not in ("max", "min", "sd")]
        found = []
        while left:
            found.append([c for c in left if _beside(left[0], c)])
            left = [c for c in left if c not in found[-1]]
        return found

    @cached_property
    def above_horizon(self) -> Bools:
        """Whether the sun's whole disc stands above the station's horizon (`[[horizon]]`, else the true one)."""
        points = [(h.azimuth, h.elevation) for h in self.station.horizon] or [(0.0, 0.0)]
        return self.sun_elevation - sun.RADIUS > sun.horizon_elevation(self.sky.position.azimuth, points)

    @cached_property
    def follows(self) -> Bools:
        """Whether each row stands one interval after the one before it; twice `stray` is allowed. False for the first
        row."""
        out = np.zeros(self.rows, bool)
        apart = (self.time[1:] - self.time[:-1]).astype(np.int64)
        out[1:] = np.abs(apart - (self.table.interval_us or 0)) <= 2 * self.table.table.stray_s * 1e6
        return out

    def of(self, *quantities: str) -> list[Channel]:
        """Channels of some quantities in this table, in the order of the station file."""
        return [c for c in self.channels if c.quantity in quantities]

    @cached_property
    def devices(self) -> dict[str, list[Channel]]:
        """Channels of each device in this table (as the last deployment names it)."""
        found: dict[str, list[Channel]] = {}
        for channel in self.channels:
            device = next((d.device for d in reversed(channel.deployment) if d.device), channel.on_device)
            found.setdefault(device, []).append(channel)
        return found

    @cached_property
    def instruments(self) -> dict[str, list[Channel]]:
        """As `devices`; but of channels that name none, those of wind at one height are taken as one instrument, and
        so are those of temperature and humidity, and of pressure: a station file without devices seldom means a mast
        of single sensors."""
        found: dict[str, list[Channel]] = {}
        for device, channels in self.devices.items():
            for channel in channels:
                alone = device == channel.on_device and channel.device is None
                family = next((name for name, quantities in _TOGETHER.items() if channel.quantity in quantities), None)
                key = f"{family} at {channel.height} m alone" if alone and family else device
                found.setdefault(key, []).append(channel)
        return found

    @cached_property
    def sun_elevation(self) -> Floats:
        """Elevation of the sun without refraction in the middle of each interval, degrees."""
        return 90.0 - self.sky.position.zenith

    @cached_property
    def clearness(self) -> Floats | None:
        """Global irradiance over that of the cleanest clear sky, where the sun stands above 10 degrees; NaN
        elsewhere, None without one."""
        measured = self.companion("global_irradiance")
        if measured is None:
            return None
        return np.where(self.sun_elevation > 10.0, measured / np.maximum(self.sky.clear.ghi, 1.0), np.nan)

    @cached_property
    def brightness(self) -> Floats | None:
        """As `clearness`; where there is no global irradiance, from photosynthetically active radiation. None without
        either."""
        par = self.companion("par")
        if par is None:
            return self.clearness
        lit = np.where(self.sun_elevation > 10.0, par / _PAR_OF_GLOBAL / np.maximum(self.sky.clear.ghi, 1.0), np.nan)
        return lit if self.clearness is None else np.where(np.isnan(self.clearness), lit, self.clearness)

    @cached_property
    def dew_point(self) -> Floats | None:
        """Dew point, degC: measured, else from temperature and humidity; None where the table has neither."""
        measured, t, rh = (self.companion(q) for q in ("dew_point", "air_temperature", "relative_humidity"))
        derived = None if t is None or rh is None else humidity.dew_point(t, np.where(rh > 0, rh, np.nan))
        if measured is None or derived is None:
            return derived if measured is None else measured
        return np.where(np.isnan(measured), derived, measured)

    def excursions(self, channel: Channel) -> tuple[Floats, Floats]:
        """Change of a channel from the row before, and how far each value leaves both its neighbours."""
        key = f"excursions;{channel.name}"
        if key not in self.shared:
            change = excursions.changes(self.values(channel), self.time, self.table.interval_us or 0)
            self.shared[key] = change, excursions.excursions(change)
        found: tuple[Floats, Floats] = self.shared[key]
        return found

    def stirred(self, channel: Channel) -> Bools:
        """Rows at which a channel of another instrument changes far, from the row before or to the row after: by
        `spike.stirred` times what `spike` allows it."""
        key = "stirred"
        if key not in self.shared:
            self.shared[key] = {name: self._changes_far(channels) for name, channels in self.instruments.items()}
        found = np.zeros(self.rows, bool)
        for name, far in self.shared[key].items():
            if channel not in self.instruments[name]:
                found |= far
        return found

    def _changes_far(self, channels: Sequence[Channel]) -> Bools:
        far = np.zeros(self.rows, bool)
        for channel in channels:
            bound = self.limits.find("spike", channel.quantity)
            if bound is not None and channel.statistic not in ("sd", "counter"):
                least = self.limits.number("spike", "stirred") * bound.at(self.interval_s)
                into = np.abs(self.excursions(channel)[0]) > least
                far |= into
                far[:-1] |= into[1:]
        return far

    def within(self, mask: Bools, back_s: float, ahead_s: float = 0.0) -> Bools:
        """Whether a mask holds anywhere from `back_s` before each row to `ahead_s` after it (both ends included)."""
        return windows.sliding_count(mask, self.time, round(back_s * 1e6), round(ahead_s * 1e6)) > 0

    def quantum(self, channel: Channel) -> Floats:
        """Resolution at each value, in the output unit; 0 where none is declared. A correction by a scale scales it."""
        quantum = self._by_period(channel, channel.resolution, "resolution", self._resolution, 0.0)
        changed = self.table.channels[channel.name].changed
        return quantum if changed is None else np.round(quantum * changed.scale, 12)

    def has_value(self, channel: Channel, *, changed: bool = True, estimated: bool = True) -> Bools:
        """Whether there is a value; on request without those that a correction changed or estimated."""
        channel_ = self.table.channels[channel.name]
        out = np.isfinite(channel_.values)
        if channel_.changed is not None:
            out &= (channel_.changed.kind != CHANGED) | changed
            out &= (channel_.changed.kind != ESTIMATED) | estimated
        return np.asarray(out)

    def scale(self, channel: Channel) -> Floats:
        """Output units for one unit of the file, at each row."""
        return self._by_period(channel, 1.0, "unit", lambda ch, _, u: self._resolution(ch, 1.0, u), 1.0)

    def own_range(self, channel: Channel) -> tuple[Floats, Floats]:
        """The sensor's own measuring range at each row, in the output unit; infinite where none is declared."""
        low = self._by_period(channel, channel.range, "range", lambda ch, r, u: self._bound(ch, r, u, 0), -np.inf)
        high = self._by_period(channel, channel.range, "range", lambda ch, r, u: self._bound(ch, r, u, 1), np.inf)
        return low, high

    def _by_period(self, channel: Channel, own: object, key: str, of, otherwise: float) -> Floats:  # type: ignore[no-untyped-def]
        """A declared property over the rows; a deployment may restate it, or the unit that it is in, from its start
        on."""
        unit = channel.unit
        out = (
            np.full(self.rows, otherwise) if own is None else np.broadcast_to(of(channel, own, unit), self.rows).copy()
        )
        for deployment in channel.deployment:
            own = getattr(deployment, key) if getattr(deployment, key) is not None else own
            unit = deployment.unit or unit
            if own is not None:
                start = np.searchsorted(
                    self.time, np.datetime64(deployment.from_.timestamp().__round__() * 1_000_000, "us")
                )
                out[start:] = np.broadcast_to(of(channel, own, unit), self.rows)[start:]
        return out

    def _bound(self, channel: Channel, bounds: list[float], unit: str, end: int) -> float:
        scaled = units.apply(np.array(bounds), units.conversion(channel.quantity, unit, self.interval_s))
        return float(sorted(scaled)[end])

    def _resolution(self, channel: Channel, resolution: object, unit: str) -> NDArray[np.float64] | float:
        scale = units.conversion(channel.quantity, unit, self.interval_s)
        if not isinstance(resolution, list):
            return float(units.apply_scale(np.array([resolution]), scale)[0])
        edges = units.apply(np.array([bound for bound, _ in resolution]), scale)
        steps = units.apply_scale(np.array([step for _, step in resolution]), scale)
        place = np.searchsorted(edges, self.table.channels[channel.name].values, side="left")
        return np.asarray(steps[np.minimum(place, len(steps) - 1)])
