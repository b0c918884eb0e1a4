"""Sky: what depends on time and place alone, computed once a run for each table, in the middle of its intervals."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from qc.physics import clear_sky, sun
from qc.record import Times

Floats = NDArray[np.float64]

CLEANEST_AIR = 2.0
"""Linke turbidity of very clean, dry air (judgement; cold dry mountain and polar air reaches about 2, from memory:
Kasten 1996, Solar Energy 56, 239): a model with it gives about the most that a clear sky can give, wherever the
station stands."""


class Sky:
    """Sun and clear sky for the times of one table.

    Parameters
    ----------
    middle : UTC of the middle of each interval, shape (n,), without NaT.
    latitude, longitude : degrees, north and east positive.
    elevation : m above mean sea level.
    """

    def __init__(self, middle: Times, latitude: float, longitude: float, elevation: float) -> None:
        self.middle, self.latitude, self.longitude, self.elevation = middle, latitude, longitude, elevation

    def at(self, middle: Times, latitude: float, longitude: float, elevation: float) -> Sky:
        """The sky for other times or another place: this one where they are its own, one cut out of it where the times
        are a stretch of its own (each depends on its own time alone, bit for bit), else a new one."""
        other = Sky(middle, latitude, longitude, elevation)
        if (latitude, longitude, elevation) != (self.latitude, self.longitude, self.elevation) or not len(middle):
            return other
        first = int(np.searchsorted(self.middle, middle[0]))
        rows = slice(first, first + len(middle))
        if not np.array_equal(self.middle[rows], middle):
            return other
        if len(middle) == len(self.middle):
            return self
        for name in ("position", "extraterrestrial", "clear"):
            if name in self.__dict__:
                found = self.__dict__[name]
                cut = found[rows] if isinstance(found, np.ndarray) else type(found)(*(x[rows] for x in found))
                other.__dict__[name] = cut
        return other

    @cached_property
    def position(self) -> sun.SunPosition:
        """Sun position, degrees."""
        return sun.position(self.middle, self.latitude, self.longitude, self.elevation)

    @cached_property
    def extraterrestrial(self) -> Floats:
        """Normal irradiance at the top of the atmosphere, W/m2."""
        return sun.extraterrestrial_normal(self.middle)

    @cached_property
    def clear(self) -> clear_sky.ClearSky:
        """Irradiance under the cleanest clear sky, W/m2."""
        return clear_sky.ineichen(self.position.apparent_zenith, CLEANEST_AIR, self.elevation, self.extraterrestrial)
