"""Fills the parts of README that come from the program: `python -m tests.make_readme`. A test says whether they are
fresh."""

from __future__ import annotations

import re
from pathlib import Path

from qc import run
from qc.checks import doc, registry
from qc.moments import either
from qc.places import folder
from qc.read.source import Look
from qc.read.tables import read_tables
from qc.station import load
from qc.why import channel_of, why
from qc.write.explained import explained
from tests.bench import diagnosed, fleet, nights_kept, tables

SAMPLE = folder("sample_data")
README = Path(__file__).resolve().parents[1] / "README.md"


def checks_table() -> str:
    """A row for each check, from its own doc."""
    lines = ["| check | family | finds | rests on |", "| --- | --- | --- | --- |"]
    for check in registry().values():
        title = doc(check.id)["Title"].rstrip(".")
        lines.append(f"| `{check.id}` | {check.family} | {title[0].lower() + title[1:]} | {check.witness} |")
    lines += [
        "",
        "`fairvane rules --check ID` tells what a check is for, what is not a fault, and its limits with sources.",
    ]
    return "\n".join(lines)


def why_example() -> str:
    """What `fairvane why` says of a planted value of the sample station, up to the checks that it passed."""
    station = load(SAMPLE / "otter-fell.station.toml")
    channel = channel_of(station, "t_air")
    moments = either("2026-03-13T21:10", station)
    look = Look(station.table_of(channel), channel, tuple(moments))
    record, _ = read_tables(station, [SAMPLE / "otter-fell_a.csv", SAMPLE / "otter-fell_b.csv"], note=look.note)
    text = explained(why(record, run.limits_of(station), channel, moments, look=look)).replace(str(SAMPLE), "hello")
    asked = "$ fairvane why hello/otter-fell.station.toml hello/*_?.csv --channel t_air --at 2026-03-13T21:10"
    return f"```console\n{asked}\n{text.partition('Passed:')[0].rstrip()}\n[...]\n```"


def filled(text: str, name: str, content: str) -> str:
    """README with the part between two markers replaced."""
    new, count = re.subn(
        rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", lambda m: f"{m[1]}{content}\n{m[2]}", text, flags=re.DOTALL
    )
    if count != 1:
        raise ValueError(f"README has no part {name}")
    return new


def main() -> None:
    """Fill the table of checks, the example of `why`, and the figures as measured last."""
    text = filled(README.read_text("utf-8"), "checks", checks_table())
    text = filled(text, "why", why_example())
    text = filled(text, "bench", tables.markdown(tables.kept()))
    text = filled(text, "fleet", fleet.markdown(fleet.kept()))
    text = filled(text, "nights", nights_kept.markdown(nights_kept.kept()))
    README.write_text(filled(text, "diagnosis", diagnosed.markdown(diagnosed.kept())), "utf-8")


if __name__ == "__main__":
    main()
