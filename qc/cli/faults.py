"""`fairvane faults`."""

from __future__ import annotations

import textwrap
from typing import Any

import click

from qc.cli import options
from qc.errors import UsageError, nearest, printable


@click.command("faults")
@click.argument("fault_id", required=False)
@options.as_json("")
@click.option("--quiet", is_flag=True, help="Only say whether there is such a fault.")
def command(fault_id: str | None, as_json: bool, quiet: bool) -> int:
    """Print the fault book: what each fault shows, what happened, how sure one can be, what to check, carry and heed.

    \b
    Example:
      fairvane faults                          all of them, a line each
      fairvane faults pyranometer-shaded       one, whole, with the numbers that its test goes by
    """
    from qc.faults import registry

    if fault_id is not None and fault_id not in registry():
        told = f"there is no fault '{printable(fault_id, 40)}'{nearest(fault_id, registry())}"
        raise UsageError(told, where="FAULT_ID", mend="`fairvane faults` lists them")
    entries = [_entry(i) for i in ([fault_id] if fault_id else registry())]
    if as_json:
        from qc.cli import show

        show({"faults": entries})
    elif not quiet:
        click.echo("\n".join(_whole(entries[0]) if fault_id else _lines(entries)))
    return 0


def _entry(fault_id: str) -> dict[str, Any]:
    from qc.faults import doc, registry, steps
    from qc.limits import of_faults

    fault, parts = registry()[fault_id], doc(fault_id)
    return {
        "id": fault.id,
        "title": parts["Title"],
        "rank": fault.rank,
        "needs": [list(q) for q in fault.needs],
        "least_s": fault.least_s,
        "evidence_keys": list(fault.keys),
        "shows": parts["Shows"],
        "happened": parts["Happened"],
        "how_sure": parts["How sure"],
        "site_checks": steps(fault_id),
        "carry": parts["Carry"],
        "caution": parts["Caution"],
        "data_action": parts["Data"],
        "go": fault.go,
        "rivals": [{"fault": i, "split_by": by} for i, by in fault.rivals.items()],
        "limits": [
            {"key": e.key, "value": e.value, "unit": e.unit, "source": e.source, "standing": e.standing, "note": e.note}
            for e in of_faults().values()
            if e.check == fault.id
        ],
    }


def _lines(entries: list[dict[str, Any]]) -> list[str]:
    wide = max(len(e["id"]) for e in entries)
    return [f"{e['id'].ljust(wide)}  {e['title']}" for e in entries] + [
        "",
        "`fairvane faults ID` prints one whole. Advice aids a trained person; it is no safety system.",
    ]


def _whole(entry: dict[str, Any]) -> list[str]:
    lines = [f"{entry['id']}: {entry['title']}", ""]
    needs = "; ".join(" or ".join(q) for q in entry["needs"]) or "any channel"
    told = [
        ("What the data show", entry["shows"]),
        ("What happened", entry["happened"]),
        ("How sure", entry["how_sure"]),
        ("Needs", f"{needs}; at least {_span(entry['least_s'])} of record"),
    ]
    lines += [line for title, body in told for line in _paragraph(title, body)]
    lines.append("Check at the station, in this order:")
    for number, step in enumerate(entry["site_checks"], 1):
        lines += textwrap.wrap(step, 100, initial_indent=f"  {number}. ", subsequent_indent="     ")
    lines.append("")
    for title, key in (("Carry", "carry"), ("Caution", "caution"), ("The data", "data_action")):
        lines += _paragraph(title, entry[key])
    if entry["rivals"]:
        lines.append("Looks alike:")
        for rival in entry["rivals"]:
            lines += textwrap.wrap(
                f"{rival['fault']}: {rival['split_by']}", 100, initial_indent="  ", subsequent_indent="    "
            )
        lines.append("")
    lines.append("Numbers that its test goes by:")
    for e in entry["limits"]:
        unit = "" if e["unit"] == "1" else f" {e['unit']}"
        value = e["value"] if not isinstance(e["value"], float) else f"{e['value']:g}"
        note = f"; {e['note']}" if e["note"] else ""
        lines.append(f"  {e['key']}: {value}{unit} ({e['source']}, {e['standing']}{note})")
    return lines


def _paragraph(title: str, body: str) -> list[str]:
    return [f"{title}:", *textwrap.wrap(body, 100, initial_indent="  ", subsequent_indent="  "), ""]


def _span(seconds: float) -> str:
    return f"{seconds / 86400:g} d" if seconds >= 2 * 86400 else f"{seconds / 3600:g} h"
