"""A rehearsal for people and programs: its document, its table in a terminal, its picture."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from qc.errors import printable
from qc.faults import GRADES, Grade
from qc.rehearsal import STEPS_D, Rehearsal, Rehearsed, Trial
from qc.version import __version__
from qc.write.files import Outputs, may_replace, stale
from qc.write.text import stamp

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NOTHING = "nothing"
"""What a planting is taken for where no new finding comes of it."""

WAYS = {"near": "near its threshold", "typical": "as usually met", "gross": "beyond doubt"}


def document(rehearsal: Rehearsal) -> dict[str, Any]:
    """The document of `rehearsal.json`; numbers and texts only, null for none."""
    record, station = rehearsal.record, rehearsal.station
    covered = {n: (stamp(t.time[0]), stamp(t.time[-1])) for n, t in record.tables.items() if t.rows}
    return {
        "station": station.id,
        "name": station.station.name,
        "fairvane": __version__,
        "station_sha256": station.sha256,
        "inputs": [{"path": f.path, "sha256": f.sha256} for f in record.files],
        "tables": {name: {"period": {"from": a, "to": b}} for name, (a, b) in covered.items()},
        "pieces": [{"from": stamp(a), "to": stamp(b)} for a, b in rehearsal.windows],
        "as_it_is": [
            {"id": f.id, "fault": f.fault.id, "channels": list(f.suspect.channels), "confidence": f.confidence,
             "summary": f.suspect.summary}
            for f in rehearsal.natural
        ],
        "faults": [_fault(one) for one in rehearsal.faults],
    }  # fmt: skip


def _fault(one: Rehearsed) -> dict[str, Any]:
    return {
        "fault": one.fault.id,
        "table": one.table or None,
        "smallest_caught": one.smallest,
        "cannot": one.cannot or None,
        "possible_after": one.after,
        "grades": {grade: _grade(one, grade) for grade in GRADES if one.of(grade)},
        "plantings": [_trial(t) for t in one.trials],
    }


def _grade(one: Rehearsed, grade: Grade) -> dict[str, Any]:
    mine = one.of(grade)
    return {
        "planted": len(mine),
        "named_first": sum(t.first for t in mine),
        "found": sum(t.found for t in mine),
        "days": one.days(grade),
        "taken_for": dict(Counter(_taken(t) for t in mine if not t.first)),
    }


def _trial(t: Trial) -> dict[str, Any]:
    return {
        "grade": t.grade, "onset": stamp(t.onset), "channels": list(t.channels), "planted": _plain(t.truth),
        "found": t.found, "named_first": t.first, "confidence": t.confidence, "evidence": _plain(t.evidence),
        "taken_for": None if t.first else _taken(t), "days": t.days, "why": t.why or None,
    }  # fmt: skip


def _taken(t: Trial) -> str:
    return t.taken_for or NOTHING


def _plain(evidence: Any) -> Any:
    if isinstance(evidence, dict):
        return {k: _plain(v) for k, v in evidence.items()}
    if isinstance(evidence, list | tuple):
        return [_plain(v) for v in evidence]
    if isinstance(evidence, bool | str) or evidence is None:
        return evidence
    if isinstance(evidence, np.integer | int):
        return int(evidence)
    if isinstance(evidence, np.floating | float):
        return float(evidence) if np.isfinite(evidence) else None
    return str(evidence)


# ---- in a terminal


def told(rehearsal: Rehearsal, folder: Path | None = None) -> str:
    """A line for each fault: caught of planted by grade, days it takes, what it was taken for else."""
    site, record = rehearsal.station.station, rehearsal.record
    first = min(t.time[0] for t in record.tables.values() if t.rows)
    last = max(t.time[-1] for t in record.tables.values() if t.rows)
    name = printable(f"{site.name} ({site.id})" if site.name else site.id)
    lines = [f"{name}: {stamp(first)} to {stamp(last)}", ""]
    for f in rehearsal.natural:
        where = ", ".join(f.suspect.channels) or "all channels"
        lines.append(f"Found as it is: {f.fault.id} at {where}, confidence {f.confidence:.2f}.")
        lines.append(f"  {printable(f.suspect.summary, 300)}")
    if rehearsal.natural:
        lines += ["The rest was planted beside that.", ""]
    else:
        lines += ["Nothing is wrong in the tables as they are.", ""]
    done = [one for one in rehearsal.faults if one.trials]
    if done:
        head = ("fault", *GRADES, "smallest caught", "after", "else taken for")
        rows = [head, *(_row(one) for one in done)]
        widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
        for row in rows:
            lines.append("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip())
        lines.append("")
        lines.append(
            "By grade: named first of planted. After: longest wait from the onset, at the smallest grade caught."
        )
    if left := [one for one in rehearsal.faults if not one.trials]:
        lines += ["", "Not rehearsed:"]
        width = max(len(one.fault.id) for one in left)
        for one in left:
            after = f" ({printable(one.after, 60)})" if one.after else ""
            lines.append(f"  {one.fault.id.ljust(width)}  {printable(one.cannot, 140)}{after}")
    if folder is not None:
        lines += ["", f"Written: 2 files in {printable(folder, 120)}"]
    return "\n".join(lines)


def _row(one: Rehearsed) -> tuple[str, ...]:
    counts = [f"{sum(t.first for t in one.of(g))} of {len(one.of(g))}" if one.of(g) else "-" for g in GRADES]
    smallest = one.smallest
    days = one.days(smallest) if smallest else None
    missed = Counter(_taken(t) for t in one.trials if not t.first)
    other = ", ".join(f"{fault} {n}" for fault, n in sorted(missed.items(), key=lambda e: (-e[1], e[0])))
    return (one.fault.id, *counts, smallest or "none", span(days) if days is not None else "-", other or "-")


def span(days: float) -> str:
    """Days as a person says them: hours below two days."""
    return f"{days * 24:.3g} h" if days < 2 else f"{days:.3g} d"


# ---- as a picture

_LANES: dict[Grade, float] = {"near": -0.24, "typical": 0.0, "gross": 0.24}
_MISSED = 1.9  # how far the column of what is missed stands beyond the last day, as a factor (judgement)


def picture(rehearsal: Rehearsal) -> Figure:
    """A row for each fault: when each planting is found after its onset, or what it is taken for."""
    from qc.write import picture as house

    rows = rehearsal.faults
    with house.house():
        height = 0.9 + 0.33 * max(len(rows), 2)
        missed = any(not t.first for one in rows for t in one.trials)
        drawn, axes = house.framed(height, left=1.62, right=1.75 if missed else 0.2, top=0.42, bottom=0.48)
        axes.set_xscale("log")
        longest = max([t.days for one in rows for t in one.trials if t.days is not None], default=10.0)
        edge = max(float(next((s for s in STEPS_D if s >= longest), longest)), 7.0)
        aside = edge * _MISSED
        for y, one in enumerate(rows):
            if y % 2:
                axes.axhspan(y - 0.5, y + 0.5, color=house.NIGHT, zorder=0, linewidth=0)
            if one.trials:
                _draw(axes, one, y, aside)
            else:
                axes.text(
                    0.2, y, house.label(one.cannot, 58), color=house.SOFT, fontsize=7.5, style="italic", va="center"
                )
        axes.axvline(edge * 1.32, color=house.LINE, linewidth=1.2)
        axes.set_ylim(max(len(rows), 1) - 0.5, -0.5)
        axes.set_xlim(0.17, aside * 1.4)
        ticks = [s for s in (0.25, 0.5, 1, 2, 4, 7, 14, 28, 60) if s <= edge]
        axes.set_xticks([*ticks, aside], [*(span(t) for t in ticks), "missed"])
        axes.minorticks_off()
        axes.set_yticks(range(len(rows)), [house.label(one.fault.id) for one in rows])
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("after the onset")
        for grade in GRADES:
            axes.plot([], [], linestyle="none", color=_colour(grade), label=WAYS[grade], **_sign(grade, True))
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, handletextpad=0.2, columnspacing=1.2)
    return drawn


def _colour(grade: Grade) -> str:
    from qc.write.picture import SERIES

    return {"near": SERIES[1], "typical": SERIES[0], "gross": SERIES[2]}[grade]


def _sign(grade: Grade, found: bool) -> dict[str, Any]:
    size = {"near": 4.2, "typical": 5.4, "gross": 6.6}[grade]
    marker = {"near": "^", "typical": "o", "gross": "s"}[grade]
    face: dict[str, Any] = {} if found else {"markerfacecolor": "none"}
    return {"marker": marker, "markersize": size, "markeredgewidth": 1.0} | face


def _draw(axes: Axes, one: Rehearsed, y: int, aside: float) -> None:
    from qc.write import picture as house

    for grade in GRADES:
        mine = one.of(grade)
        found = [t.days for t in mine if t.days is not None]
        missed = len(mine) - len(found)
        if found:
            lane = [y + _LANES[grade]] * len(found)
            axes.plot(found, lane, linestyle="none", color=_colour(grade), zorder=3, **_sign(grade, True))
        if len(set(found)) > 1:
            axes.plot([min(found), max(found)], [y + _LANES[grade]] * 2, color=_colour(grade), linewidth=1.0)
        if missed:
            axes.plot(
                [aside], [y + _LANES[grade]], linestyle="none", color=_colour(grade), zorder=3, **_sign(grade, False)
            )
    lost = Counter(_taken(t) for t in one.trials if not t.first)
    if lost:
        text = ", ".join(f"{fault} {n}" for fault, n in lost.most_common(2))
        axes.text(aside * 1.5, y, house.label(text, 38), color=house.SOFT, fontsize=7, va="center", clip_on=False)


# ---- files


def write(rehearsal: Rehearsal, folder: Path, *, replace: bool = False) -> dict[str, Any]:
    """Write picture and document to a folder, whole or not at all; gives the document.

    Raises
    ------
    OutputError
        if the folder cannot be written, or holds outputs that must not be replaced.
    """
    from qc.write.picture import png

    head, name = f"{rehearsal.station.id}.rehearsal.json", f"{rehearsal.station.id}.rehearsal.png"
    found = document(rehearsal)
    if not replace:
        periods = {n: (t["period"]["from"], t["period"]["to"]) for n, t in found["tables"].items()}
        may_replace(folder, [name], head, periods)
    leftovers = stale(folder, [name], head)
    with Outputs(folder) as outputs:
        outputs.write(name, [png(picture(rehearsal))])
        found = found | {"outputs": outputs.sums.copy()}
        outputs.write_text(head, json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        outputs.publish()
    for path in leftovers:
        path.unlink(missing_ok=True)
    return found
