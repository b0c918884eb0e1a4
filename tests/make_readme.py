"""Fills the parts of README that come from the program: `python -m tests.make_readme`. A test says whether they are
fresh."""

from __future__ import annotations

import re
from pathlib import Path

from qc.checks import doc, registry
from tests.bench import tables

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


def filled(text: str, name: str, content: str) -> str:
    """README with the part between two markers replaced."""
    new, count = re.subn(
        rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", lambda m: f"{m[1]}{content}\n{m[2]}", text, flags=re.DOTALL
    )
    if count != 1:
        raise ValueError(f"README has no part {name}")
    return new


def main() -> None:
    """Fill the table of checks, and the figures as measured last."""
    text = filled(README.read_text("utf-8"), "checks", checks_table())
    README.write_text(filled(text, "bench", tables.markdown(tables.kept())), "utf-8")


if __name__ == "__main__":
    main()
