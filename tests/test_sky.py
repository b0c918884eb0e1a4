"""A sky cut out of a longer one is that of its own times, bit for bit; for other times or another place it is new."""

from __future__ import annotations

import numpy as np
import pytest

from qc.sky import Sky

TIMES = np.datetime64("2026-06-01T03:00", "us") + np.arange(600) * np.timedelta64(97, "s")
PLACE = (54.6, -2.9, 310.0)


def whole() -> Sky:
    """One that has been asked for everything."""
    sky = Sky(TIMES, *PLACE)
    _ = sky.clear
    return sky


@pytest.mark.parametrize("rows", [slice(0, 600), slice(0, 7), slice(113, 410), slice(599, 600)])
def test_a_stretch_is_cut_out(rows: slice) -> None:
    sky, alone = whole().at(TIMES[rows], *PLACE), Sky(TIMES[rows], *PLACE)
    assert "position" in sky.__dict__
    for name in ("position", "extraterrestrial", "clear"):
        for one, other in zip(np.atleast_2d(getattr(sky, name)), np.atleast_2d(getattr(alone, name)), strict=True):
            assert one.tobytes() == other.tobytes(), name


@pytest.mark.parametrize(
    ("times", "place"),
    [
        (TIMES + np.timedelta64(1, "s"), PLACE),
        (TIMES[::2], PLACE),
        (TIMES[300:] + np.timedelta64(1, "D"), PLACE),
        (TIMES[:0], PLACE),
        (TIMES, (54.6, -2.9, 311.0)),
        (TIMES, (54.6, 2.9, 310.0)),
    ],
    ids=["a second late", "every other", "later", "none", "higher", "elsewhere"],
)
def test_else_it_is_new(times: np.ndarray, place: tuple[float, float, float]) -> None:
    sky = whole().at(times, *place)
    assert not {"position", "clear"} & set(sky.__dict__)
    assert np.array_equal(sky.middle, times)
    assert (sky.latitude, sky.longitude, sky.elevation) == place


def test_what_was_not_asked_for_is_not_made() -> None:
    assert "position" not in Sky(TIMES, *PLACE).at(TIMES[5:9], *PLACE).__dict__
