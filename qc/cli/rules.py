"""`fairvane rules`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from qc.cli import options
from qc.cli.files import Filled
from qc.errors import UsageError, nearest, printable


@click.command("rules")
@click.argument("station_file", required=False, type=Filled())
@click.option("--check", "check_id", metavar="ID", help="One check alone, with its doc.")
@click.option("--rules", "rules_file", type=Filled(), metavar="FILE", help="Overrides of limits for many stations.")
@options.as_json("")
@click.option("--quiet", is_flag=True, help="Only say whether the station file and its overrides can be used.")
def command(
    station_file: Path | None, check_id: str | None, rules_file: Path | None, as_json: bool, quiet: bool
) -> int:
    """Show the limits in force, each with unit, verdict, source and standing, and the reach of the chain.

    \b
    Example:
      fairvane rules                                    as shipped
      fairvane rules otter-fell.station.toml            for one station, with its overrides
      fairvane rules --check step                       one check, with what it is for
    """
    from qc import chain, run
    from qc.checks import doc, registry
    from qc.limits import in_force, sources
    from qc.station import load

    if check_id is not None and check_id not in registry():
        told = f"there is no check '{printable(check_id, 40)}'{nearest(check_id, registry())}"
        raise UsageError(told, where="--check", mend=f"choose from {', '.join(registry())}")
    station = load(station_file) if station_file else None
    limits = run.limits_of(station, rules_file) if station else in_force(None, rules_file)
    checks = [check_id] if check_id else list(registry())
    intervals = sorted({t.interval_s for t in station.table if t.interval_s}) if station else []
    entries = [_entry(limits[name], intervals) for name in limits if limits[name].check in checks]
    document: dict[str, Any] = {
        "station": station.id if station else None,
        "rules_sha256": limits.sha256,
        "reach": None,
        "checks": {
            c: {"family": registry()[c].family, "witness": registry()[c].witness, "doc": dict(doc(c))} for c in checks
        },
        "limits": entries,
        "own_ranges": [{"channel": c.name, "range": c.range, "unit": c.unit} for c in station.channel if c.range]
        if station
        else [],
        "sources": {short: sources()[short] for short in sorted({e["source"] for e in entries})},
    }
    if station:
        reach = chain.reach(station, limits)
        document["reach"] = {"back_s": reach.back_s, "ahead_s": reach.ahead_s}
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        click.echo("\n".join(_lines(document, whole=check_id is not None)))
    return 0


def _entry(limit: Any, intervals: list[float]) -> dict[str, Any]:
    by_interval = not isinstance(limit.value, float)
    return {
        "name": limit.name,
        "value": [list(step) for step in limit.value] if by_interval else limit.value,
        "in_force": [[s, limit.at(s)] for s in intervals] if by_interval else None,
        "unit": limit.unit,
        "verdict": limit.verdict,
        "source": limit.source,
        "standing": limit.standing,
        "note": limit.note,
        "origin": limit.origin,
        "reason": limit.reason or None,
    }


def _lines(document: dict[str, Any], *, whole: bool) -> list[str]:
    lines = []
    for check, entry in document["checks"].items():
        title = entry["doc"]["Title"]
        lines += [f"{check}: {title} [{entry['family']}; rests on {entry['witness']}]"]
        if whole:
            lines += [f"  {part}: {entry['doc'][part]}" for part in list(entry["doc"])[1:]]
        rows = [_row(e) for e in document["limits"] if e["name"].startswith(f"{check}.")]
        widths = [max((len(row[i]) for row in rows), default=0) for i in range(4)]
        for row in rows:
            lines.append("  " + "  ".join([*(row[i].ljust(widths[i]) for i in range(4)), row[4]]).rstrip())
        if check == "range":
            lines += [
                f"  the sensor's own: {r['channel']} {r['range'][0]:g} to {r['range'][1]:g} {r['unit']} (station file)"
                for r in document["own_ranges"]
            ]
        lines.append("")
    if document["reach"]:
        back, ahead = document["reach"]["back_s"], document["reach"]["ahead_s"]
        lines.append(f"Reach of the chain: {back / 60:g} min back, {ahead / 60:g} min ahead.")
    lines.append(f"Sum of these rules: {document['rules_sha256']}")
    lines += ["", "Sources:"]
    lines += [f"  {short}: {title}" for short, title in document["sources"].items()]
    return lines


def _row(entry: dict[str, Any]) -> tuple[str, str, str, str, str]:
    verdict = {None: "", 1: "inconsistent", 2: "doubtful", 3: "wrong"}[entry["verdict"]]
    value = entry["value"]
    if isinstance(value, list):
        steps = entry["in_force"] or value
        value = ", ".join(f"{number:g} at {_interval(seconds)}" for seconds, number in steps)
    else:
        value = f"{value:g}"
    unit = "" if entry["unit"] == "1" else f" {entry['unit']}"
    origin = f"; {entry['origin']}: {printable(entry['reason'], 200)}" if entry["reason"] else ""
    note = f"; {entry['note']}" if entry["note"] else ""
    return (
        entry["name"],
        f"{value}{unit}",
        verdict,
        f"{entry['source']} ({entry['standing']})",
        f"{note}{origin}".removeprefix("; "),
    )


def _interval(seconds: float) -> str:
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
