"""Scene: what depends on values, computed lazily once a stage; values that an earlier stage condemned are missing in it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.limits import Limits
from qc.physics import humidity, windows
from qc.record import TableRecord, Times
from qc.sky import Sky
from qc.station import Channel, Station
from qc.verdicts import Bools, Floats


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
    """

    def __init__(
        self, station: Station, table: TableRecord, sky: Sky, limits: Limits, condemned: Mapping[str, Bools], as_of: np.datetime64 | None = None
    ) -> None:  # fmt: skip
        self.station, self.table, self.sky, self.limits, self.as_of = station, table, sky, limits, as_of
        self._condemned = condemned
        self._values: dict[str, Floats] = {}

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
        """Values of another quantity in the same rows: the first channel of it that has one. None where no channel has it."""
        found: Floats | None = None
        for channel in self.channels:
            if channel.quantity == quantity and channel.statistic not in ("max", "min", "sd"):
                values = self.values(channel)
                found = values if found is None else np.where(np.isnan(found), values, found)
        return found

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
    def sun_elevation(self) -> Floats:
        """Elevation of the sun without refraction in the middle of each interval, degrees."""
        return 90.0 - self.sky.position.zenith

    @cached_property
    def clearness(self) -> Floats | None:
        """Global irradiance over that of the cleanest clear sky, where the sun stands above 10 degrees; NaN elsewhere, None without one."""
        measured = self.companion("global_irradiance")
        if measured is None:
            return None
        return np.where(self.sun_elevation > 10.0, measured / np.maximum(self.sky.clear.ghi, 1.0), np.nan)

    @cached_property
    def dew_point(self) -> Floats | None:
        """Dew point, degC: measured, else from temperature and humidity; None where the table has neither."""
        measured, t, rh = (self.companion(q) for q in ("dew_point", "air_temperature", "relative_humidity"))
        derived = None if t is None or rh is None else humidity.dew_point(t, np.where(rh > 0, rh, np.nan))
        if measured is None or derived is None:
            return derived if measured is None else measured
        return np.where(np.isnan(measured), derived, measured)

    def within(self, mask: Bools, back_s: float, ahead_s: float = 0.0) -> Bools:
        """Whether a mask holds anywhere from `back_s` before each row to `ahead_s` after it (both ends included)."""
        return windows.sliding_count(mask, self.time, round(back_s * 1e6), round(ahead_s * 1e6)) > 0

    def quantum(self, channel: Channel) -> Floats:
        """Resolution at each value, in the output unit; 0 where the station file declares none."""
        return self._by_period(channel, channel.resolution, "resolution", self._resolution, 0.0)

    def own_range(self, channel: Channel) -> tuple[Floats, Floats]:
        """The sensor's own measuring range at each row, in the output unit; infinite where none is declared."""
        low = self._by_period(channel, channel.range, "range", lambda ch, r, u: self._bound(ch, r, u, 0), -np.inf)
        high = self._by_period(channel, channel.range, "range", lambda ch, r, u: self._bound(ch, r, u, 1), np.inf)
        return low, high

    def _by_period(self, channel: Channel, own: object, key: str, of, otherwise: float) -> Floats:  # type: ignore[no-untyped-def]
        """A declared property over the rows; a deployment may restate it, or the unit that it is in, from its start on."""
        unit = channel.unit
        out = np.full(self.rows, otherwise) if own is None else np.broadcast_to(of(channel, own, unit), self.rows).copy()
        for deployment in channel.deployment:
            own = getattr(deployment, key) if getattr(deployment, key) is not None else own
            unit = deployment.unit or unit
            if own is not None:
                start = np.searchsorted(self.time, np.datetime64(deployment.from_.timestamp().__round__() * 1_000_000, "us"))
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
