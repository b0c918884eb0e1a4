"""`fairvane why` for a person: the verdict first, what failed, what passed, what was not applied, the rows around."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from qc.checks import shown
from qc.errors import printable
from qc.quantities import quantities
from qc.verdicts import WORDS
from qc.why import FAILED, NOT_APPLIED, NOT_MEANT, PASSED

Document = Mapping[str, Any]
_WIDTH = 110  # characters of a line, where words allow it


def explained(document: Document) -> str:
    """The document of `qc.why.why` as lines."""
    unit = document["unit"]
    word = document["word"].replace("_", " ")
    what = f"{document['quantity'].replace('_', ' ')}, {document['station']}"
    lines = [
        f"{document['channel']} at {document['time']} ({what}): {_with(document['value'], unit)}, {word}",
        f"  {document['verdict']} {word}: {document['how']}",
    ]
    lines += _came(document)
    if document["decision"] is not None:
        lines += _hung("  ", printable(document["decision"]["message"], 600))
    checks: list[Document] = document["checks"]
    failed, passed, left_out, others = (
        [c for c in checks if c["outcome"] == outcome] for outcome in (FAILED, PASSED, NOT_APPLIED, NOT_MEANT)
    )
    lines += ["", "Failed:" if failed else "Failed: none"]
    for check in failed:
        lines += _failed(check)
    lines += ["", "Passed:" if passed else "Passed: none"]
    wide = max((len(c["check"]) for c in checks), default=0)
    for check in passed:
        lines += _hung(f"  {check['check'].ljust(wide)}  ", _passed(check))
    lines += ["", "Not applied:" if left_out else "Not applied: none"]
    for check in left_out:
        lines += _hung(f"  {check['check'].ljust(wide)}  ", printable(check["why"], 200))
    if others:
        lines += _hung("Not meant for it: ", ", ".join(c["check"] for c in others))
    lines += ["", "Around it:"]
    return "\n".join([*lines, *_around(document)])


def _hung(head: str, text: str) -> list[str]:
    """A paragraph whose later lines stand below its first word."""
    return textwrap.wrap(head + text, _WIDTH, subsequent_indent=" " * len(head), break_on_hyphens=False) or [head]


def _with(value: float | None, unit: str) -> str:
    return "no value" if value is None else f"{_digits(value)}{_unit(unit)}"


def _digits(value: float) -> str:
    """A value of the channel: more digits than any logger writes, without those that conversion left."""
    return shown(value, 10)


def _about(value: float, unit: str) -> str:
    """A number that arithmetic gave, to six digits."""
    return f"{shown(value, 6)}{_unit(unit)}"


def _unit(unit: str) -> str:
    return "" if unit in ("", "1", "share") else f" {unit}"


def _came(document: Document) -> list[str]:
    """Where the value came from."""
    lines = []
    if document["other_time"] is not None:
        lines.append(f"  the logger clock showed this time twice; the other is {document['other_time']}")
    found: Sequence[Document] = document["lines"]
    for line in found:
        beside = "" if line["stands"] or len(found) == 1 else ", which gave way to the other"
        cell = "no such column" if line["cell"] is None else f"cell '{printable(line['cell'], 60)}'"
        column = "" if line["column"] is None else f" in column {printable(line['column'], 60)}"
        lines.append(f"  {printable(line['path'], 200)}, line {line['line']}: {cell}{column}{beside}")
    how = document["conversion"]
    if document["value"] is None:
        lines.append(f"  the cell is {document['cell']['is']}")
    elif how["as_it_stands"]:
        lines.append(f"  taken as it stands, in {how['to'] if how['to'] != '1' else 'no unit'}")
    else:
        lines.append(f"  {_converted(how)}")
    return lines


def _converted(how: Document) -> str:
    told = []
    if how["counter"]:
        told.append("the total less the one before it")
    if how["factor"] != 1.0 or how["offset"] != 0.0:
        shift = f" {'+' if how['offset'] > 0 else '-'} {shown(abs(how['offset']), 7)}" if how["offset"] else ""
        told.append(f"{how['from']} to {how['to']}: times {shown(how['factor'], 7)}{shift}")
    if how["declination"] is not None:
        told.append(f"{how['declination']:+g} degrees from magnetic to true north")
    return "converted: " + "; ".join(told or [f"{how['from']} to {how['to']}"])


def _failed(check: Document) -> list[str]:
    word = WORDS[check["verdict"]]
    lines = [f"  {check['check']}: {word}; rests on {check['witness']}, stage {check['stage']}"]
    if check["number"] is not None:
        lines += _hung("      ", _measured(check))
    if (episode := check["episode"]) is not None:
        values = "1 value" if episode["values"] == 1 else f"{episode['values']:,} values"
        when = episode["from"] if episode["values"] == 1 else f"{episode['from']} to {episode['to']}"
        lines += _hung("      ", f"{printable(episode['message'], 600)} ({when}, {values})")
    for limit in sorted(_bounds(check), key=lambda e: not e["decides"]):
        lines += _hung("        ", _whole(limit))
    if others := [e for e in check["limits"] if e not in _bounds(check)]:
        lines += _hung("        with ", ", ".join(_brief(e) for e in others))
    return lines


def _bounds(check: Document) -> list[Document]:
    """The limits that a value may break: those with a verdict, or all where none has one."""
    limits: list[Document] = check["limits"]
    return [e for e in limits if e["verdict"] is not None] or limits


def _measured(check: Document) -> str:
    limit = "" if check["limit"] is None else f", limit {_about(check['limit'], check['unit'])}"
    return f"{check['measure']} {_about(check['number'], check['unit'])}{limit}"


def _passed(check: Document) -> str:
    """Number and limit of a check that passed, and where that limit is from: one of those in force, or made of them."""
    told = "passed" if check["number"] is None else _measured(check)
    bounds = _bounds(check)
    if decisive := [e for e in bounds if e["decides"]]:
        return f"{told} ({', '.join(_source(e) for e in decisive)})"
    return f"{told}: {', '.join(_brief(e) for e in bounds)}" if bounds else told


def _brief(limit: Document) -> str:
    return f"{_short(limit['name'])} {_about(limit['value'], limit['unit'])} ({_source(limit)})"


def _short(name: str) -> str:
    """Name of a limit without check and quantity."""
    words = name.split(".")
    return ".".join(words[2:] if len(words) > 2 and words[1] in quantities() else words[1:])


def _source(limit: Document) -> str:
    over = f", {limit['origin']}" if limit["reason"] else ""
    return f"{limit['source']}, {limit['standing']}{over}"


def _whole(limit: Document) -> str:
    word = "" if limit["verdict"] is None else f", beyond it {WORDS[limit['verdict']]}"
    note = f": {limit['note']}" if limit["note"] else ""
    reason = f", {printable(limit['reason'], 200)}" if limit["reason"] else ""
    told = f"{limit['source']}, {limit['standing']}{note}; {limit['origin']}{reason}"
    return f"{limit['name']} = {_about(limit['value'], limit['unit'])}{word} ({told})"


def _around(document: Document) -> list[str]:
    rows = [
        (
            ">" if row["time"] == document["time"] else " ",
            row["time"],
            "no value" if row["value"] is None else _digits(row["value"]),
            row["word"].replace("_", " "),
            ", ".join(row["checks"]),
        )
        for row in document["around"]
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    return [
        f"{mark} {time.ljust(widths[1])}  {value.rjust(widths[2])}  {word.ljust(widths[3])}  {checks}".rstrip()
        for mark, time, value, word, checks in rows
    ]
