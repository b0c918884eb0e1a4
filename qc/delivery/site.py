"""A sketch of the site: where the sensors hang, seen from the mast, and what hides the sun."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from qc.physics import sun
from qc.station import Channel, Station
from qc.write import picture as p

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PLACES = 18  # places that a key has lines for (judgement)
_RINGS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_POINTS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_PATHS = (("21 June", "06-21"), ("equinox", "03-20"), ("21 December", "12-21"))


def places(station: Station) -> dict[tuple[float, float], list[Channel]]:
    """Channels by bearing (degrees from true north) and distance (m) from the mast, nearest first."""
    found: dict[tuple[float, float], list[Channel]] = {}
    for channel in station.channel:
        if channel.at is not None:
            found.setdefault((channel.at.bearing % 360.0, channel.at.distance), []).append(channel)
    return dict(sorted(found.items(), key=lambda place: (place[0][1], place[0][0])))


def site(station: Station) -> Figure | None:
    """Plan and horizon, as far as the station file tells them; None where it tells neither."""
    known = places(station)
    if not known and not station.horizon:
        return None
    plan, sky = (2.9 if known else 0.0), (1.8 if station.horizon else 0.0)
    with p.house():
        from matplotlib.figure import Figure

        height = plan + sky
        drawn = Figure(figsize=(p.WIDTH, height))
        if known:
            _plan(drawn.add_axes((0.03, (sky + 0.1) / height, 2.75 / p.WIDTH, 2.75 / height)), known)
            key = drawn.add_axes((3.4 / p.WIDTH, (sky + 0.1) / height, 3.9 / p.WIDTH, 2.75 / height))
            _key(key, known)
        if station.horizon:
            _horizon(
                drawn.add_axes((0.6 / p.WIDTH, 0.5 / height, (p.WIDTH - 0.75) / p.WIDTH, (sky - 0.75) / height)),
                station,
            )
    return drawn


def _plan(axes: Axes, known: dict[tuple[float, float], list[Channel]]) -> None:
    """The mast in the middle, north up; distances by their square root, so that near ones stand apart."""
    from matplotlib.patches import Circle

    farthest = max(distance for _, distance in known)
    rings = [r for r in _RINGS if r <= max(farthest, 0.5) * 1.001]
    rings = [*rings, next((r for r in _RINGS if r > farthest), farthest)][-4:]
    reach = np.sqrt(rings[-1])
    axes.set_axis_off()
    axes.set_xlim(-1.22 * reach, 1.22 * reach)
    axes.set_ylim(-1.22 * reach, 1.22 * reach)
    axes.set_aspect("equal")
    for ring in rings:
        axes.add_patch(Circle((0, 0), float(np.sqrt(ring)), fill=False, edgecolor=p.LINE, linewidth=0.8))
        x, y = _xy(17.0, ring)
        axes.text(x, y, f"{ring:g} m", fontsize=6.5, color=p.SOFT, ha="center", va="center", backgroundcolor=p.PAPER)
    for number, word in enumerate(_POINTS):
        angle = np.radians(45.0 * number)
        axes.text(
            1.13 * reach * np.sin(angle), 1.13 * reach * np.cos(angle), word, ha="center", va="center",
            fontsize=10 if word == "N" else 7.5, color=p.INK if word == "N" else p.SOFT,
            fontweight="bold" if word == "N" else "normal",
        )  # fmt: skip
    axes.plot([0], [0], marker="+", markersize=13, markeredgewidth=1.6, color=p.INK, gid="mast")
    for number, (bearing, distance) in enumerate(known, 1):
        x, y = _xy(bearing, distance)
        axes.plot([0, x], [0, y], color=p.SERIES[0], linewidth=0.7)
        axes.text(
            x, y, str(number), ha="center", va="center", fontsize=7.5, color="#ffffff", gid=f"place-{number}",
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": p.SERIES[0], "edgecolor": p.PAPER}, zorder=4,
        )  # fmt: skip


def _xy(bearing: float, distance: float) -> tuple[float, float]:
    radius = np.sqrt(distance)
    return float(radius * np.sin(np.radians(bearing))), float(radius * np.cos(np.radians(bearing)))


def _key(axes: Axes, known: dict[tuple[float, float], list[Channel]]) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    rows: list[Any] = list(known.items())
    shown = rows[:_PLACES]
    step = min(0.12, 0.94 / (len(shown) + 1))
    axes.text(0.0, 0.97, "seen from the mast, true north up", fontsize=7.5, color=p.SOFT, va="top")
    for number, ((bearing, distance), channels) in enumerate(shown, 1):
        y = 0.97 - number * step
        heights = sorted({c.height for c in channels if c.height is not None}, reverse=True)
        high = "height " + " / ".join(f"{h:g} m" for h in heights[:3]) if heights else "height not told"
        names = p.label(", ".join(c.name for c in channels), 44)
        axes.text(0.0, y, str(number), fontsize=8, fontweight="bold", color=p.SERIES[0], va="top")
        axes.text(0.07, y, names, fontsize=8, va="top")
        if step > 0.08:
            told = f"{distance:g} m off at {bearing:g}°, {high}".replace("-", "−")
            axes.text(0.07, y - 0.052, told, fontsize=6.8, color=p.SOFT, va="top")
    if len(rows) > len(shown):
        axes.text(0.07, 0.0, f"and {len(rows) - len(shown)} places more", fontsize=7, color=p.SOFT)


def _horizon(axes: Axes, station: Station) -> None:
    """What hides the sun, around the compass, and the sun's way on three days of a year."""
    where = station.station
    around = np.arange(0.0, 361.0, 1.0)
    hidden = sun.horizon_elevation(around, [(h.azimuth, h.elevation) for h in station.horizon])
    paths = []
    for number, (name, day) in enumerate(_PATHS):
        time = np.datetime64(f"2026-{day}", "us") + np.arange(0, 1440, 5) * np.timedelta64(1, "m")
        position = sun.position(time, where.latitude, where.longitude, where.elevation)
        order = np.argsort(position.azimuth)
        azimuth, elevation = position.azimuth[order], (90.0 - position.apparent_zenith)[order]
        elevation = np.where(elevation > 0.0, elevation, np.nan)
        paths.append((name, azimuth, elevation, p.SERIES[(1, 3, 2)[number]]))
    axes.fill_between(around, 0.0, hidden, color=p.SOFT, alpha=0.75, linewidth=0, label="hidden")
    for name, azimuth, elevation, colour in paths:
        if np.isfinite(elevation).any():
            axes.plot(azimuth, elevation, color=colour, linewidth=1.1, label=f"sun, {name}")
    axes.set_xlim(0, 360)
    axes.set_ylim(0, 90)
    axes.set_xticks(np.arange(0, 361, 45), [*_POINTS, "N"])
    axes.set_yticks([0, 15, 30, 45, 60, 75, 90])
    axes.set_ylabel("elevation, °")
    axes.set_xlabel("azimuth, from true north")
    axes.legend(loc="upper right", ncols=4, fontsize=7, borderaxespad=0.1, handlelength=1.3)
