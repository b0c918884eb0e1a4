"""The summary that a person reads in ten seconds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from qc.episodes import Episode
from qc.errors import printable
from qc.quantities import quantities
from qc.run import Result
from qc.verdicts import MISSING, WORDS

_WORST = 3


def told(result: Result, document: Mapping[str, Any], folder: Path) -> str:
    """Lines: what was read, a row for each channel, the worst episodes, what was not applied, where the outputs lie."""
    name = f"{printable(document['name'])} ({document['station']})" if document["name"] else document["station"]
    lines = []
    for table_id, table in document["tables"].items():
        lines += _table(name, table_id, table, len(document["tables"]) > 1)
    rejected = sum(i["rejected"] for i in document["inputs"])
    repeated = sum(i["repeated"] for i in document["inputs"])
    count = sum(i["lines"] for i in document["inputs"])
    lines.append(
        f"Read {_files(len(document['inputs']))}, {count:,} lines: {rejected:,} rejected, {repeated:,} repeated."
    )
    if result.checked.record.absent:
        absent = ", ".join(result.checked.record.absent)
        lines.append(f"No file has a column for: {absent}. Is a name in the station file misspelt?")
    lines += _worst([e for found in result.episodes.values() for e in found])
    lines.append("")
    written = f"{len(document['outputs']) + 1} files in {printable(folder, 120)}"
    lines.append(f"Not applied: {len(document['not_applied'])} entries in the summary. Written: {written}")
    return "\n".join(lines)


def _files(number: int) -> str:
    return "1 file" if number == 1 else f"{number} files"


def _table(name: str, table_id: str, table: Mapping[str, Any], many: bool) -> list[str]:
    period, interval = table["period"], table["period"]["interval_s"]
    every = f", every {_every(interval)}" if interval else ", by event"
    title = f"{name}, table {table_id}" if many else name
    lines = [f"{title}: {period['from']} to {period['to']}{every}"]
    share = f" ({100 * table['rows'] / table['expected_rows']:.2f} %)" if table["expected_rows"] else ""
    lines.append(
        f"{table['rows']:,} rows of {table['expected_rows']:,} expected{share}, {table['conflicts']:,} more in conflict"
    )
    lines.append("")
    rows = [("channel", "quantity", "usable", "missing", "inconsistent", "doubtful", "wrong", "checks that failed")]
    for channel, entry in table["channels"].items():
        verdicts = entry["verdicts"]
        failed = ", ".join(f"{check} {number:,}" for check, number in entry["checks"].items())
        unchecked = verdicts["not_checked"] and not verdicts["good"]
        usable = "-" if entry["usable"] is None or unchecked else f"{100 * entry['usable']:.2f} %"
        numbers = [f"{verdicts[w]:,}" if verdicts[w] else "." for w in ("missing", "inconsistent", "doubtful", "wrong")]
        rows.append((channel, _title(entry["quantity"]), usable, *numbers, failed))
    widths = [max(len(row[i]) for row in rows) for i in range(7)]
    for row in rows:
        cells = [row[i].ljust(widths[i]) if i < 2 else row[i].rjust(widths[i]) for i in range(7)]
        lines.append("  ".join([*cells, row[7]]).rstrip())
    lines.append("")
    return lines


def _values(number: int) -> str:
    return "1 value" if number == 1 else f"{number:,} values"


def _title(quantity: str) -> str:
    return quantities()[quantity].name.replace("_", " ")


def _every(seconds: float) -> str:
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


def _worst(found: list[Episode]) -> list[str]:
    """The worst episodes: by verdict, then by the number of values; missing values are told by their count alone."""
    bad = sorted((e for e in found if e.verdict < MISSING), key=lambda e: (-e.verdict, -e.values, e.start))
    if not bad:
        return ["No value failed a check."]
    lines = [f"Worst of {len(bad):,} episodes:"]
    for e in bad[:_WORST]:
        when = (
            f"{str(e.start)[:16].replace('T', ' ')} to {str(e.end)[:16].replace('T', ' ')}"
            if e.values > 1
            else str(e.start)[:16].replace("T", " ")
        )
        lines.append(f"  {WORDS[e.verdict]:<12} {e.channel}, {when} UTC, {_values(e.values)}: {e.message}")
    return lines
