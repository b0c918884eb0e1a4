"""README.txt of a delivery: a client's questions, answered in their order."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from qc.delivery.codes import WMO, Scheme
from qc.delivery.completeness import Share
from qc.delivery.means import DayRule, SampleRule
from qc.delivery.sheets import Sheet
from qc.errors import printable

_WIDTH = 100
_TOLD = 8  # lines of a log that the page repeats (judgement)

LIMITS_OF_USE = (
    "Flags are no basis for warnings that protect life, and Fairvane is no safety system: it aids a trained person.",
    "A good verdict says that no check found a fault. It does not say that a value is true, and it says nothing of an "
    "error that all checks are blind to: a constant that is a few percent off, a sensor that drifts slowly.",
    "How representative the site is stands in no flag: look at the sketch of the site, the horizon and the heights of "
    "the sensors.",
    "A gauge catches less than falls, most in wind and snow; no such loss is corrected here unless "
    "corrections.csv says so.",
    "Whoever goes to the station because of these files: masts and tripods never near power lines, not in lightning, "
    "ice or high wind; lower the mast rather than climb; two people; helmet and gloves below raised loads; fall "
    "protection on roofs and ladders, and the site's rules. Disconnect batteries before rewiring, fuse, no sparks near "
    "lead-acid cells. Leave mains, height and lightning-protection work to licensed people.",
)
"""The limits of use, and the cautions that go with advice to people (handbook 13: common practice, no source)."""


def text(
    document: Mapping[str, Any],
    *,
    files: Sequence[tuple[str, str]],
    logs: Sequence[Sheet],
    shares: Sequence[Share],
    scheme: Scheme,
    samples: SampleRule,
    days: DayRule,
    changed: int,
    added: int,
) -> str:
    """The whole page. `document` is that of the delivery's summary, `files` pairs of path and what the file is,
    `logs` the logs as they are delivered, `shares` those of the whole period."""
    delivery = document["delivery"]
    name = printable(document["name"] or document["station"], 200)
    lines = [f"{name}: flagged measurements", "=" * min(len(name) + 23, _WIDTH), ""]
    place = f"{_degrees(document['latitude'], 'NS')}, {_degrees(document['longitude'], 'EW')}"
    lines += _pair("What", f"measurements of the automatic weather station {document['station']}, each with a verdict")
    lines += _pair("Where", f"{place}, {document['elevation']:g} m above mean sea level")
    for table_id, table in document["tables"].items():
        period = table["period"]
        when = f"{period['from']} to {period['to']}, {_every(period)}; times are UTC"
        lines += _pair("When", f"table {table_id}: {when if period['from'] else 'no row in the period'}")
    lines += _pair("Who to ask", printable(delivery["contact"] or "not stated", 400))
    lines += _pair("Owner", printable(delivery["owner"] or "not stated", 400))
    lines += _pair("Licence", printable(delivery["licence"] or "not stated: ask before you pass it on", 400))
    lines += _pair("Made by", f"Fairvane {document['fairvane']}")
    lines += _complete(shares, samples, days, delivery)
    lines += _values(scheme)
    lines += _flags(scheme)
    lines += _changed(document, shares, logs)
    lines += _sure(delivery)
    lines += _again(document)
    lines += _differs(changed, added)
    lines += ["", "Limits of use", "-" * 13]
    for told in LIMITS_OF_USE:
        lines += _hung("- ", told)
    lines += ["", "Files", "-" * 5]
    wide = max(len(path) for path, _ in files)
    for path, told in files:
        lines += _hung(f"{path.ljust(wide)}  ", told)
    lines += _hung("", "Beside each CSV lies NAME.schema.json (Table Schema): what its columns mean, and their units.")
    return "\n".join(lines) + "\n"


def _complete(shares: Sequence[Share], samples: SampleRule, days: DayRule, delivery: Mapping[str, Any]) -> list[str]:
    lines = ["", "1 Is it complete?", "-" * 17]
    rows = [("table", "channel", "expected", "values", "usable", "gaps", "longest gap")]
    for s in shares:
        rows.append(
            (s.table, s.channel, f"{s.expected:,}", _percent(s.completeness), _percent(s.usable_share),
             f"{s.gaps:,}", f"{s.longest_gap_s / 3600:.4g} h" if s.gaps else "-")
        )  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(7)]
    for row in rows:
        cells = [row[i].ljust(widths[i]) if i < 2 else row[i].rjust(widths[i]) for i in range(7)]
        lines.append("  ".join(cells).rstrip())
    lines += _hung("", "By month: completeness.csv. Each gap: gaps.csv.")
    if delivery["means"]:
        lines += _hung(
            "",
            f"Means of hours and days are given where {samples.told} may be used. Means of months are means of the "
            f"daily ones, given where {days.told}. Sums are given where every value may be used; beside them stands "
            "the sum of what there is (sum_at_least). Highest and lowest values are bounds where `bound` is true. Days "
            f"and months begin at midnight {delivery['calendar']}; every row names its begin and its end.",
        )
    for why in delivery["not_made"]:
        lines += _hung("", f"No means by {why['span']} of table {why['table']}: {why['why']}.")
    return lines


def _values(scheme: Scheme) -> list[str]:
    return [
        "",
        "2 Which values may I use?",
        "-" * 25,
        *_hung(
            "",
            "Those with NAME_usable true. Where NAME_corrected holds a value, use that one, else the raw value in "
            "NAME. Usable is what has the verdict good, changed or estimated. Values that no check could be applied to "
            "(not checked) are not called usable: judge them yourself.",
        ),
    ]


def _flags(scheme: Scheme) -> list[str]:
    lines = ["", "3 What do the flags mean?", "-" * 25]
    lines += _hung("", f"NAME_verdict has codes of {scheme.title}: {scheme.told}.")
    if scheme is not WMO:
        lines += _hung(
            "",
            f"The verdict itself stands in NAME_verdict_wmo, in codes of {WMO.title}: {WMO.told}. Good is given as "
            "good, inconsistent and doubtful as questionable, wrong as bad, not checked as not evaluated; changed and "
            "estimated have no primary flag.",
        )
    lines += _hung(
        "",
        "inconsistent: at odds with other values, one of them is off. doubtful: hardly ever seen; one witness doubts "
        "it. wrong: it cannot be, or two witnesses doubt it. NAME_checks names the checks that a value failed; "
        "episodes.csv tells in words what happened, rules.csv each limit and where it is from.",
    )
    return lines


def _changed(document: Mapping[str, Any], shares: Sequence[Share], sheets: Sequence[Sheet]) -> list[str]:
    lines = ["", "4 What was changed, by whom, why?", "-" * 33]
    changed = sum(s.verdicts[5] for s in shares)
    estimated = sum(s.verdicts[6] for s in shares)
    logs = {log["kind"]: log["lines"] for log in document["logs"]}
    lines += _hung(
        "",
        f"No raw value was altered. {changed:,} values were changed and {estimated:,} estimated; they stand beside the "
        f"raw ones. Lines in the logs: {logs.get('corrections', 0)} in corrections.csv, {logs.get('decisions', 0)} in "
        f"decisions.csv, {logs.get('visits', 0)} in visits.csv. NAME_read holds the logger's own cell where the number "
        "is not, digit for digit, what stood there (another unit, a marker, magnetic north, a running total).",
    )
    for sheet in sheets:
        if sheet.path != "visits.csv":
            lines += _signed(sheet)
    if document["delivery"]["initials"]:
        lines += _hung(
            "",
            "People in the logs are named by their initials. Names of others in free text cannot be known: look "
            "through the notes, and through the remarks in the station file, before you publish them.",
        )
    return lines


def _signed(sheet: Sheet) -> list[str]:
    """The first lines of the decision or the correction log in words: what, by whom, why."""
    lines: list[str] = []
    names = [f.name for f in sheet.fields]
    for row in sheet.rows[:_TOLD]:
        one = {name: printable(cell, 200) for name, cell in zip(names, row, strict=True)}
        what = f"decided {one['verdict']}" if "verdict" in one else f"{one['operation']} {one['parameter']}".rstrip()
        by = f" by {one['by']}" if one["by"] else ""
        when = f"{one['from']} to {one['to']}"
        lines += _hung("- ", f"{one['channel']}, {when}: {what}{by}: {one['reason'] or 'no reason given'}")
    if len(sheet.rows) > _TOLD:
        lines += _hung("- ", f"and {len(sheet.rows) - _TOLD} more in {sheet.path}")
    return lines


def _sure(delivery: Mapping[str, Any]) -> list[str]:
    lines = ["", "5 How sure is it?", "-" * 17]
    return lines + _hung(
        "",
        "Each limit in rules.csv has its source and its standing: published, from memory, computed, measured, common "
        "practice or judgement. What was not applied, and why, stands in the summary under not_applied. Accuracy of "
        "the sensors is what their certificates say (sensors.csv); where calibration_lapsed is true it had run out.",
    )


def _again(document: Mapping[str, Any]) -> list[str]:
    lines = ["", "6 Can it be done again?", "-" * 23]
    delivery = document["delivery"]
    lines += _hung(
        "",
        "Yes, with the same bytes: with the tables whose SHA-256 sums the summary lists, the station file and the logs "
        f"in this folder, and Fairvane {document['fairvane']}. `sha256sum -c checksums.sha256` shows whether a file "
        "was changed since.",
    )
    lines += ["", f"  {delivery['command']}"]
    for note in delivery["needs"]:
        lines += _hung("  ", note)
    return lines


def _differs(changed: int, added: int) -> list[str]:
    lines = ["", "7 What differs from the last delivery?", "-" * 38]
    if not changed and not added:
        return lines + _hung("", "Nothing, or none stood in this place.")
    return lines + _hung(
        "",
        f"{changed:,} values, verdicts or rows that the delivery before had are different: changes.csv lists them. "
        f"{added:,} rows are new.",
    )


def command(words: Sequence[str]) -> str:
    """A command line as one would type it."""
    return shlex.join(words)


def _pair(name: str, told: str) -> list[str]:
    return _hung(f"{name + ':':<12} ", told)


def _hung(head: str, told: str) -> list[str]:
    return textwrap.wrap(
        head + told, _WIDTH, subsequent_indent=" " * len(head), break_on_hyphens=False, break_long_words=True
    ) or [head]


def _degrees(value: float, sides: str) -> str:
    return f"{abs(value):g} {sides[0] if value >= 0 else sides[1]}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.2f} %"


def _every(period: Mapping[str, Any]) -> str:
    seconds = period["interval_s"]
    if not seconds:
        return "by event"
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds % size == 0:
            return f"every {seconds // size} {unit}"
    return f"every {seconds:g} s"
