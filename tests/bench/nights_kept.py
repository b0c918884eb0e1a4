"""The years of nights that were kept, as README shows them.

    python -m tests.bench.nights --days 365 --stations C-maritime --seed 7 --json > c.json
    python -m tests.bench.nights_kept a.json b.json c.json
    python -m tests.make_readme

Seed 0 is the one whose noise was looked into while tests of faults were mended; other seeds are reported as they come.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.nights import summed, together

KEPT = Path(__file__).with_name("nights.json")

TUNED = 0
"""Seed of the years that were looked into."""


def kept() -> list[dict[str, Any]]:
    """The runs that were kept, in the order of their stations."""
    found: list[dict[str, Any]] = json.loads(KEPT.read_text("utf-8"))
    return found


def markdown(runs: Sequence[Mapping[str, Any]]) -> str:
    """The tables for README: what was told, what was missed, every line of noise."""
    lines = [
        "| years | stations | planted | told | within 3 nights | told once | cleared | noise (findings) | in health |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    parts = {
        "looked into": [r for r in runs if r["seed"] == TUNED], "reported": [r for r in runs if r["seed"] != TUNED],
    }  # fmt: skip
    for name, part in parts.items():
        if part:
            s = summed(together(part))
            where = ", ".join(f"{n} ({r['seed']})" for r in part for n in r["stations"])
            lines.append(
                f"| {name} | {where} | {s['planted']} | {s['told']} | {s['within_3_nights']} | {s['told_once']} | "
                f"{s['cleared']} | {s['noise_lines']} ({s['noise_findings']}) | {s['noise_lines_in_health']} |"
            )
    nights = sum(run["station_nights"] for run in runs)
    lines += [
        "",
        f"A year each, {nights:,} station-nights; in brackets the seed of weather and of the order of faults.",
    ]
    for name, part in parts.items():
        rows = [(r["seed"], row) for r in part for row in r["plants"]]
        told = [f"{row['plant']} at {row['station']} ({_when(row)})" for _, row in rows if row["after_days"] is None]
        late = [
            f"{row['plant']} at {row['station']} (+{row['after_days']})"
            for _, row in rows
            if row["after_days"] is not None and row["after_days"] >= 3
        ]
        again = [f"{row['plant']} at {row['station']}" for _, row in rows if len(row["told"]) > 1]
        open_ = [
            f"{row['plant']} at {row['station']}"
            for _, row in rows
            if row["after_days"] is not None and row["cleared_after_days"] is None
        ]
        noise = [
            f"{n['state']} {n['text']} at {n['station']}, night {n['day']}"
            + (f", {n['after']:+} d from the mend of '{n['where']}'" if n["where"] else ", in health")
            for r in part
            for n in r["noise"]
            if n["state"] != "cleared"
        ]
        for what, found in (
            ("never told", told), ("told later", late), ("told more than once", again),
            ("not cleared within a month", open_), ("noise", noise),
        ):  # fmt: skip
            if part:
                lines.append(f"- {name}, {what}: {'; '.join(found) or 'none'}.")
    return "\n".join(lines)


def _when(row: Mapping[str, Any]) -> str:
    return f"days {row['from']} to {row['to']}"


def main() -> None:
    """Keep what `--json` printed."""
    runs = [json.loads(Path(name).read_text("utf-8")) for name in sys.argv[1:]]
    for run in runs:
        run.pop("summary", None)
        run["not_planted"] = {}
    KEPT.write_text(json.dumps(runs, separators=(",", ":")) + "\n", "utf-8")
    print(markdown(runs))


if __name__ == "__main__":
    main()
