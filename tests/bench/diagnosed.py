"""The tables of README about diagnosis, from `diagnosis.json`; nothing is measured here."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("diagnosis.json")
GRADES = ("near", "typical", "gross")
PROMISED = {"typical": 0.85, "gross": 0.97}
"""Right cause first, share of plantings; promised for every fault."""

ECE, PER_MONTH, FEWEST = 0.05, 0.1, 1000


def kept() -> dict[str, Any]:
    """What was measured last; empty where nothing was."""
    found: dict[str, Any] = json.loads(RESULTS.read_text("utf-8")) if RESULTS.exists() else {}
    return found


def markdown(found: Mapping[str, Any]) -> str:
    """All of it, misses included; one line where nothing was measured yet."""
    if "report" not in found:
        return "Not measured yet: `python -m tests.bench.diagnosis --calibrate --delays --speed --keep`."
    report = found["report"]
    parts = [_head(report), _faults(report), _rest(report, found), _missed(report, found)]
    return "\n\n".join("\n".join(part) for part in parts)


def _head(report: Mapping[str, Any]) -> list[str]:
    return [
        "Faults planted in the text of tables, on the stations kept for the report, and looked for as any other "
        "(`python -m tests.bench.diagnosis`):",
        f"{report['plantings']:,} plantings on {', '.join(report['stations'])}; the C stations are invented "
        "(`tests/bench/invented.py`), each piece has 14 to 60 days.",
        "A planting counts where the right cause at the right channel stands first among what is found newly. "
        "Not all of them are unseen: plateau was looked at while the faults of irradiance were written, hills and "
        "estuary while those of gauge and wiring were, and some misses on C while rivals were weighed; a look at the "
        "misses on all invented stations showed that their sky lagged by 3 min, and that was mended, not a fault.",
        "Percent, with the 95 % interval of Wilson. Error of evidence: the middle of its size, typical and gross.",
    ]


def _cell(share: Mapping[str, Any]) -> str:
    if not share["planted"]:
        return "-"
    percent = 100 * share["first"] / share["planted"]
    return f"{percent:.0f} ({100 * share['low']:.0f}-{100 * share['high']:.0f}) of {share['planted']}"


def _faults(report: Mapping[str, Any]) -> list[str]:
    lines = [
        "| fault | near threshold | typical | gross | days to find (typical) | error of evidence | taken for |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for fault, one in report["faults"].items():
        cells = [_cell(one["grades"][g]) for g in GRADES]
        delay = f"{one['delay_d']['middle']:.3g}" if one["delay_d"] else "-"
        known = {k: e for k, e in one["errors"].items() if not _unknown(e)}
        errors = ", ".join(_error(k, e) for k, e in known.items()) or "-"
        wrong = {k: n for k, n in report["confusion"].get(fault, {}).items() if k != fault}
        taken = ", ".join(f"{k} {n}" for k, n in wrong.items()) or "-"
        lines.append(f"| `{fault}` | {' | '.join(cells)} | {delay} | {errors} | {taken} |")
    return lines


def _unknown(error: Mapping[str, Any]) -> bool:
    """Whether there is no size of it: what was planted has no such number."""
    middle = error.get("middle", 0.0)
    return middle is None or middle != middle


def _error(key: str, error: Mapping[str, Any]) -> str:
    if "same" in error:
        return f"{key} right in {error['same']} of {error['count']}"
    return f"{key} {error['middle']:.2g}"


def _rest(report: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    h, r = report["healthy"], report["reliability"]
    lines = [
        "![Causes planted against causes named first](tests/bench/diagnosis.png)",
        "",
        f"**Healthy stations**: {h['findings']} findings in {h['months']:.1f} station-months, {h['per_month']:.3f} "
        f"a month (95 %: {h['low']:.3f} to {h['high']:.3f}), {h['at_0.9']} of them at confidence 0.9. What is known "
        "to be wrong in open data is left out.",
        "",
        f"**What confidence is worth**: expected calibration error {r['ece']:.3f} on {r['findings']:,} findings.",
        "",
        "| confidence | right | findings |",
        "| --- | --- | --- |",
        *(
            f"| {b['confidence']:.2f} | {b['right']:.2f} ({b['low']:.2f}-{b['high']:.2f}) | {b['count']} |"
            for b in r["bins"]
        ),
        "",
        f"**On top of other trouble**: typical {_cell(report['beside_natural']['typical'])}, gross "
        f"{_cell(report['beside_natural']['gross'])} where the station had another finding. **In odd weather** "
        f"(storm, snow, heat, calm, drought, fog, inversion): typical {_cell(report['odd']['typical'])}, gross "
        f"{_cell(report['odd']['gross'])}.",
    ]
    for s in found.get("speed", ()):
        lines.append("")
        lines.append(
            f"**Speed**, a station-year at {s['minutes']} min ({s['rows']:,} rows, {s['channels']} channels), as whole "
            f"processes: `diagnose` {s['diagnose_s']:.1f} s, {s['ratio']:.2f} times the {s['check_s']:.1f} s of "
            f"`check` (promised: {'at most 3 times' if s['minutes'] == 1 else 'under 5 s'})."
        )
    return lines


def missed(report: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    """What was promised and is not kept."""
    out = []
    for fault, one in report["faults"].items():
        for grade, least in PROMISED.items():
            share = one["grades"][grade]
            if share["planted"] and share["first"] < least * share["planted"]:
                out.append(f"`{fault}`, {grade}: {share['first']} of {share['planted']}, promised {100 * least:.0f} %")
    absent = [f for f, one in report["faults"].items() if not one["grades"]["gross"]["planted"]]
    out += [f"`{fault}` could not be planted grossly on any of these stations" for fault in absent]
    h, r = report["healthy"], report["reliability"]
    if h["per_month"] > PER_MONTH:
        out.append(f"{h['per_month']:.3f} findings in a healthy station-month, promised at most {PER_MONTH}")
    if h["at_0.9"]:
        out.append(f"{h['at_0.9']} findings at confidence 0.9 in healthy months, promised none")
    if r["ece"] > ECE:
        out.append(f"calibration error {r['ece']:.3f}, promised at most {ECE}")
    if r["findings"] < FEWEST:
        out.append(f"{r['findings']} findings to calibrate on, {FEWEST} are asked for")
    for s in found.get("speed", ()):
        if s["minutes"] == 1 and s["ratio"] > 3.0:
            out.append(f"a station-year at 1 min takes {s['ratio']:.1f} times the time of `check`, promised 3")
        if s["minutes"] == 10 and s["diagnose_s"] >= 5.0:
            out.append(f"a station-year at 10 min takes {s['diagnose_s']:.1f} s, promised under 5")
    return out


def _missed(report: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    lines: Sequence[str] = missed(report, found)
    return ["Missed:", "", *(f"- {line}" for line in lines)] if lines else ["Missed: nothing."]
