"""The tables of figures in README: `python -m tests.bench.tables`.

Measures everything (about three minutes), keeps it in `results.json` beside this file, and fills README from it.
`tests.make_readme` fills README from what was kept, without measuring.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("results.json")
_FEW_QUANTA, _NEARLY_ALL, _MOST = 4.0, 0.99, 0.9
_CAPS = {
    "air_temperature": 12.0,
    "wind_speed": 12.0,
    "wind_gust": 12.0,
    "wind_direction": 12.0,
    "relative_humidity": 24.0,
}

WHY = {
    "heat burst": "within the hours of its begin and end the air warms by 9 K and dries by 12, and the mean of the dew "
    "point is not the dew point of the means",
}  # fmt: skip
"""What is known about a miss, by station and channel, or by weather."""


def measure() -> dict[str, Any]:
    """Everything, rounded to what a reader can use."""
    from tests.bench import ablation, healthy, odd, seeded

    return {
        "healthy": healthy.measure(),
        "seeded": seeded.measure(),
        "odd": odd.measure(),
        "ablation": ablation.measure(),
    }


def keep(found: Mapping[str, Any]) -> None:
    """Write the results."""
    rounded = json.loads(json.dumps(found), parse_float=lambda text: float(f"{float(text):.4g}"))
    RESULTS.write_text(json.dumps(rounded, indent=0, sort_keys=True) + "\n", "utf-8")


def kept() -> dict[str, Any]:
    """The results as measured last."""
    loaded: dict[str, Any] = json.loads(RESULTS.read_text("utf-8"))
    return loaded


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """A table in Markdown."""
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    return [*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows)]


def markdown(found: Mapping[str, Any]) -> str:
    """All tables, each with its command and what it missed."""
    parts = [
        [
            "Real stations that nobody here made, less what is known to be wrong in them. Limits were set on roof, "
            "campus, coast and the sample",
            "station; by estuary also `drip`, the windows of `persistence` at 15 min and the cooling of `icing`, by "
            "forest 2016 `twin` and the windows",
            "at 5 min, by plateau what `closure` leaves on global; else these, hills and forest 2017 were looked at "
            "afterwards. All of it is",
            "measured by `python -m tests.bench.tables`, in a few minutes; the open data is not part of the project.",
        ],
        _healthy(found["healthy"]), _singles(found["seeded"]["singles"]), _gross(found["seeded"]["gross"]),
        _stuck(found["seeded"]["stuck"], found["seeded"]["windows"]), _odd(found["odd"]["rows"]),
        _ablation(found["ablation"]),
    ]  # fmt: skip
    return "\n\n".join("\n".join(part) for part in parts)


def _percent(part: float, whole: float) -> str:
    share = 100 * part / whole if whole else float("nan")
    if 99 <= share < 100:
        return f"{min(share, 99.9):.1f}"  # never 100 where one is missing
    return f"{share:.1f}" if 0 < share < 1 else f"{share:.0f}"


def _missed(lines: Sequence[str]) -> list[str]:
    return ["", "Missed:", "", *(f"- {line}" for line in lines)] if lines else ["", "Missed: nothing."]


def _healthy(found: Mapping[str, Any]) -> list[str]:
    from tests.bench.ground import STATIONS

    rows, missed = [], []
    for name, station in STATIONS.items():
        mine = [r for r in found["rows"] if r["station"] == name]
        values, wrong, doubt = (sum(r[k] for r in mine) for k in ("values", "wrong", "doubtful"))
        worst = max(mine, key=lambda r: r["doubtful"] / r["values"])
        checks: dict[str, int] = {}
        for r in mine:
            for check, count in r["checks"].items():
                checks[check] = checks.get(check, 0) + count
        told = ", ".join(f"`{c}` {n}" for c, n in sorted(checks.items(), key=lambda e: -e[1]))
        rows.append(
            [name, station.role, len(mine), f"{values:,}", wrong, doubt, f"{1e6 * (wrong + doubt) / values:.0f}",
             f"{worst['channel']} {100 * worst['doubtful'] / worst['values']:.3f} %" if doubt else "none", told]
        )  # fmt: skip
        for r in mine:
            if not r["kept"]:
                key = f"{name} {r['channel']}"
                why = WHY.get(key, ", ".join(f"`{c}` {n}" for c, n in r["checks"].items()))
                missed.append(f"{key}: {r['wrong']} wrong, {r['doubtful']} doubtful of {r['values']:,} values: {why}")
    rain = found["estuary_rain"]
    return [
        "**Healthy data left alone** (`python -m tests.bench.healthy`). Promised: at most 10 values per million "
        "wrong (none in a channel of",
        "fewer than 100,000), inconsistent and doubtful together at most 0.1 % of each channel (0.3 % of 1 min wind).",
        "",
        *table(
            ["station", "role", "channels", "values", "wrong", "doubtful", "per million", "worst channel", "by"], rows
        ),
        *_missed(missed),
        "",
        f"The estuary's blocked funnel: {rain['found']} of {rain['spoilt']} spoilt values with rain flagged, in "
        f"{rain['episodes']} episode of `drip`; of the",
        f"{rain['good']:,} rain values that a person called good {rain['good_flagged']} are flagged "
        f"({100 * rain['good_flagged'] / rain['good']:.3f} %, promised at most 0.1).",
    ]


def _why(row: Mapping[str, Any]) -> str:
    told = WHY.get(f"{row['station']} {row['channel']}")
    return f": {told}" if told else ""


def _singles(found: Sequence[Mapping[str, Any]]) -> list[str]:
    sizes = sorted({r["multiple"] for r in found})
    rows = []
    for quantity in dict.fromkeys(r["quantity"] for r in found):
        mine = [
            r
            for r in found
            if r["quantity"] == quantity and (r["quanta"] is None or r["quanta"] >= _FEW_QUANTA * r["multiple"] / 2)
        ]
        if not mine:
            continue
        once = [r for r in mine if r["multiple"] == sizes[0]]
        values = sum(r["values"] for r in once)
        false = " / ".join(
            f"{1e6 * sum(r[k] for r in once) / values:.0f}" for k in ("false_ours", "false_literal", "false_equal")
        )
        cells = []
        for size in sizes:
            here = [r for r in mine if r["multiple"] == size]
            planted = sum(r["planted"] for r in here)
            cells.append(" / ".join(_percent(sum(r[k] for r in here), planted) for k in ("ours", "literal", "equal")))
        rows.append([quantity.replace("_", " "), false, *cells])
    missed = []
    for r in found:
        coarse = r["quanta"] is not None and r["quanta"] < _FEW_QUANTA
        if r["multiple"] == 2.0 and not coarse and r["planted"] and r["ours"] < _MOST * r["planted"]:
            missed.append(
                f"{r['station']} {r['channel']}: {r['ours']} of {r['planted']} at twice the step ({r['size']:g}), "
                f"promised 90 %{_why(r)}"
            )
        if r["ours"] < r["equal"]:
            missed.append(
                f"{r['station']} {r['channel']}: {r['ours']} of {r['planted']} at {r['multiple']:g} x the step, the "
                f"literal limits at equal false flags {r['equal']}{_why(r)}"
            )
    return [
        "**Single values off by a stated size** (`python -m tests.bench.seeded`), planted as text where the data "
        "is healthy, in multiples of the",
        "published 1 min step (3 K, dew point 2 K, 10 %, 0.5 hPa, 10 m/s, 800 W/m2). Each cell: percent found by "
        "Fairvane / by range, step and",
        "persistence with the literal published limits / by the same, loosened until they flag no more healthy "
        "values than Fairvane. Channels",
        "where twice the step is under 4 steps of the resolution (whole hPa) are left out of the table.",
        "",
        *table(["quantity", "false flags per million", *(f"{s:g} x" for s in sizes)], rows),
        *_missed(missed),
    ]  # fmt: skip


def _gross(found: Sequence[Mapping[str, Any]]) -> list[str]:
    rows = []
    for kind in dict.fromkeys(r["kind"] for r in found):
        mine = [r for r in found if r["kind"] == kind]
        planted, hits = sum(r["planted"] for r in mine), sum(r["found"] for r in mine)
        lost = ", ".join(
            f"{r['station']} {r['channel']} {r['planted'] - r['found']}" for r in mine if r["found"] < r["planted"]
        )
        rows.append([kind, planted, hits, _percent(hits, planted), lost or "none"])
    few = [
        f"{r['station']} {r['channel']}, {r['kind']}: {r['found']} of {r['planted']}"
        for r in found
        if r["found"] < _NEARLY_ALL * r["planted"]
    ]
    return [
        "**Gross single values** (same command): markers that nobody declared, a lost first digit, ten published "
        "steps. Promised: 99 %.",
        "",
        *table(["error", "planted", "found", "%", "lost"], rows),
        *_missed(few),
    ]


def _stuck(found: Sequence[Mapping[str, Any]], windows: Sequence[Mapping[str, Any]]) -> list[str]:
    rows, missed = [], []
    for w in windows:
        mine = sorted(
            (r for r in found if (r["station"], r["channel"]) == (w["station"], w["channel"])), key=lambda r: r["hours"]
        )
        at = next((r["hours"] for r in mine if r["found"] >= _MOST * r["planted"]), None)
        rates = w["rates"]
        told = [
            f"{100 * rates[h]:.2f}" if rates.get(h) is not None else "-" for h in ("1.0", "3.0", "6.0", "12.0", "24.0")
        ]
        shortest = w["shortest_rare"]
        rows.append(
            [w["station"], w["channel"], f"{w['resolution']:g}", *told, f"{shortest:g}" if shortest else "none",
             f"{w['in_force']:.2g}" if w["in_force"] else "none", at if at else "none"]
        )  # fmt: skip
        cap = _CAPS.get(w["quantity"])
        if cap is not None and (at is None or at > cap):
            missed.append(f"{w['station']} {w['channel']}: nine of ten found from {at} h on, promised {cap:g} h")
        elif shortest is not None and w["in_force"] and w["in_force"] > 2 * shortest:
            missed.append(
                f"{w['station']} {w['channel']}: a window of {shortest:g} h would be rare here, {w['in_force']:g} "
                f"h is in force"
            )
    return [
        "**Stuck sensors** (same command), at values that neither calm, light air, saturation nor melting explains "
        "(in light air, up to 1.5 m/s,",
        "wind at tenths has 12 h). Percent of healthy values that a window",
        "of so many hours would flag at the declared resolution; the shortest window below 0.05 %; the one in "
        "force; the length from which nine",
        "of ten are found (planted: 1, 2, 3, 6, 12, 18, 24 and 36 h). Promised: found within 12 h for temperature "
        "and wind, 24 h for humidity.",
        "A window serves all stations of its resolution and interval, so it may be longer than one of them needs: "
        "listed where more",
        "than twice.",
        "",
        *table(["station", "channel", "resolution", "1 h", "3 h", "6 h", "12 h", "24 h", "shortest", "in "
        "force", "found from"], rows),
        *_missed(missed),
    ]  # fmt: skip


def _odd(found: Sequence[Mapping[str, Any]]) -> list[str]:
    rows, missed = [], []
    for scenario in dict.fromkeys(r["scenario"] for r in found):
        cells = []
        for r in (r for r in found if r["scenario"] == scenario):
            cells.append(f"{r['wrong']} / {r['doubtful']}" + ("" if r["kept"] else " missed"))
            if not r["kept"]:
                told = ", ".join(
                    f"{channel} `{check}` {n}" for key, n in r["checks"].items() for channel, check in [key.split(": ")]
                )
                missed.append(
                    f"{scenario}, {r['minutes']} min: {r['wrong']} wrong, {r['doubtful']} doubtful of "
                    f"{r['values']:,}: {told}" + (f"; {WHY[scenario]}" if scenario in WHY else "")
                )
        rows.append([scenario, *cells])
    return [
        "**Healthy but odd weather**, made by script with realistic numbers (`python -m tests.bench.odd`): five "
        "days, nine channels. Values called",
        "wrong / inconsistent or doubtful. Promised: none wrong, at most 0.1 % doubtful (64 of 64,800 at 1 min, 6 "
        "of 6,480 at 10 min, 1 of 1,080",
        "at 60 min). `icing`, and what `spike`, `step` and `persistence` allow in company, in light air and where a "
        "record begins, were set on",
        "this very weather, so that it reports on the other checks alone.",
        "",
        *table(["weather", "1 min", "10 min", "60 min"], rows),
        *_missed(missed),
    ]


def _ablation(found: Mapping[str, Any]) -> list[str]:
    total, rows, idle = found["total"], [], []
    for r in found["rows"]:
        made = (
            f"{r['made_for_found']} of {r['made_for']}, {r['made_for_lost']} by it alone ({r['made_for_station']})"
            if "made_for" in r
            else "not tried"
        )
        rows.append([f"`{r['check']}`", r["seeded_lost"], f"{r['known_lost']:,}", r["false_gone"], made])
        if not (r["seeded_lost"] or r["known_lost"] or r.get("made_for_lost")):
            idle.append(f"`{r['check']}`")
    return [
        f"**What each check earns** (`python -m tests.bench.ablation`). Of {total['seeded_found']:,} seeded errors "
        f"found ({total['seeded']:,} planted: one, two and",
        f"ten steps, stuck for a day), of {total['known_found']:,} values found that are known to be wrong, and of "
        f"{total['false']} false flags in",
        f"{total['healthy']:,} healthy values: what is lost, and what vanishes, when a check says nothing. Last: "
        f"errors made for that check.",
        "",
        *table(["check", "seeded lost", "known wrong lost", "false flags gone", "made for it: found"], rows),
        "",
        f"Nothing here is lost without {', '.join(idle)}: the open data and these seeds hold nothing that they "
        f"alone would find." if idle else "Each check earns its place by itself somewhere.",
        "Not in this table: `timing`, `gap`, `marker` and `unreadable` (a record's own), `visit` and `decision` "
        "(people), `neighbour` (no two of",
        "these stations lie within its 80 km; measured on airports, see above). Made for `dropout`: found where it "
        "says so of missing cells.",
    ]  # fmt: skip


def main() -> None:
    """Measure, keep, fill README."""
    from tests import make_readme

    keep(measure())
    make_readme.main()


if __name__ == "__main__":
    main()
