"""Loads the heavy libraries beside the reading of tables: they take 1 to 2 s, and reading often leaves the lock."""

from __future__ import annotations

import contextlib
import importlib
from threading import Thread

_HEAVY = ("metpy.constants", "pvlib.solarposition", "pvlib.clearsky", "pandera.pandas")


def warm() -> None:
    """Begin to load them in the background; what cannot be loaded tells so where it is needed."""
    Thread(target=_load, daemon=True).start()


def _load() -> None:
    for name in _HEAVY:
        with contextlib.suppress(Exception):
            importlib.import_module(name)
