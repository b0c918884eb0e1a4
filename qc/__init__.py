"""Quality control for automatic weather stations: logger tables in, flagged tables out, every verdict explained.

Public names, loaded on first use: `read_station`, `read_tables`, `check`, `diagnose`, and the errors of `qc.errors`.
"""

from __future__ import annotations

from typing import Any

from qc.version import __version__

__all__ = ["__version__", "check", "diagnose", "read_station", "read_tables"]


def __getattr__(name: str) -> Any:
    if name == "read_station":
        from qc.station import load

        return load
    if name == "read_tables":
        from qc.read.tables import read_station_tables

        return read_station_tables
    if name == "check":
        from qc.run import check

        return check
    if name == "diagnose":
        from qc.run_diagnosis import diagnose

        return diagnose
    raise AttributeError(f"module 'qc' has no attribute '{name}'")
