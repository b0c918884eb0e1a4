"""Scene: what depends on values, computed lazily once a stage; values that an earlier stage condemned are missing in it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.limits import Limits
from qc.record import Times
from qc.record import TableRecord as TableRecord
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
