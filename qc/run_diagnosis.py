"""From a checked record to the outputs of `diagnose`, for the command line and for Python alike."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qc import run
from qc.chain import Checked
from qc.diagnosis import Diagnosis, document
from qc.diagnosis import diagnose as diagnose_checked
from qc.errors import printable
from qc.record import Record
from qc.station import Station
from qc.version import __version__
from qc.write.faults import GO, faults_page
from qc.write.files import Outputs, may_replace, stale
from qc.write.proposed import proposed
from qc.write.text import stamp

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["diagnose", "diagnose_checked", "told", "write"]


def diagnose(
    station: Station,
    tables: Record | Sequence[Path | str] | Mapping[str, pd.DataFrame],
    *,
    first: str | None = None,
    last: str | None = None,
    rules_file: Path | None = None,
    neighbours: Sequence[Path | str] = (),
) -> Diagnosis:
    """Name the faults that the tables of a station show; arguments and errors as of `qc.check`."""
    result = run.check(station, tables, first=first, last=last, rules_file=rules_file, neighbours=neighbours)
    return diagnose_checked(result.checked)


def periods(checked: Checked) -> dict[str, tuple[str, str]]:
    """First and last stamp of each table that has rows."""
    return {n: (stamp(t.record.time[0]), stamp(t.record.time[-1])) for n, t in checked.tables.items() if t.record.rows}


def write(diagnosis: Diagnosis, folder: Path, *, replace: bool = False) -> dict[str, Any]:
    """Write findings, page and proposals to a folder, whole or not at all; gives the document of `faults.json`.

    Raises
    ------
    OutputError
        if the folder cannot be written, or holds outputs that must not be replaced.
    """
    station = diagnosis.checked.record.station
    covered = periods(diagnosis.checked)
    period = (min(p[0] for p in covered.values()), max(p[1] for p in covered.values()))
    head = f"{station.id}.faults.json"
    names = [f"{station.id}.{what}" for what in ("faults.html", "proposed.toml", "proposed_corrections.csv")]
    if not replace:
        may_replace(folder, names, head, covered)
    mends = proposed(diagnosis)
    leftovers = stale(folder, names, head)
    with Outputs(folder) as outputs:
        outputs.write_text(names[0], faults_page(diagnosis, period))
        outputs.write_text(names[1], mends.toml)
        outputs.write_text(names[2], mends.corrections)
        found = document(diagnosis, period) | {
            "fairvane": __version__,
            "station_sha256": station.sha256,
            "rules_sha256": diagnosis.checked.limits.sha256,
            "inputs": [{"path": f.path, "sha256": f.sha256} for f in diagnosis.checked.record.files],
            "tables": {name: {"period": {"from": a, "to": b}} for name, (a, b) in covered.items()},
            "proposed": mends.count,
            "outputs": outputs.sums,
        }
        outputs.write_text(head, json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        outputs.publish()
    for path in leftovers:
        path.unlink(missing_ok=True)
    return found


def told(diagnosis: Diagnosis, document: Mapping[str, Any], folder: Path) -> str:
    """The findings in a terminal: a paragraph each, then what was cleared and not tested, in one line."""
    station = diagnosis.checked.record.station.station
    name = printable(f"{station.name} ({station.id})" if station.name else station.id)
    lines = [f"{name}: {document['period']['from']} to {document['period']['to']}", ""]
    for f in diagnosis.findings:
        s = f.suspect
        a, b = (stamp(m)[:16].replace("T", " ") for m in s.onset)
        since = a if a == b else f"{a} to {b}"
        lines.append(f"{f.fault.id} at {', '.join(s.channels) or 'all channels'}, confidence {f.confidence:.2f}")
        lines.append(f"  {printable(s.summary, 400)}")
        lines.append(f"  Began {since} UTC; {GO[s.go or f.fault.go]}.")
        if beside := [r for r in f.rivals if r.confidence >= 0.05]:
            told = "; ".join(
                f"{r.fault} {r.confidence:.2f} (split by: {r.split_by or 'nothing known'})" for r in beside
            )
            lines.append(f"  Or: {told}")
        lines.append("")
    if not diagnosis.findings:
        lines += ["No fault found.", ""]
    cleared = len({i for i, _ in diagnosis.cleared})
    open_ = len({i for i, _ in diagnosis.not_tested})
    lines.append(f"{cleared} faults cleared, {open_} not tested at some channel (the page says why).")
    lines.append(f"Proposed mends: {document['proposed']}. Written: 4 files in {printable(folder, 120)}")
    return "\n".join(lines)
