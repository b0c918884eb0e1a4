"""README tells the truth: its generated parts are fresh, its commands exist."""

from __future__ import annotations

import re

import pytest

from qc.cli import COMMANDS
from tests.bench import diagnosed, tables
from tests.make_readme import README, checks_table, filled, why_example


def test_table_of_checks_is_fresh() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "checks", checks_table()) == text, "run python -m tests.make_readme"


def test_example_of_why_is_fresh() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "why", why_example()) == text, "run python -m tests.make_readme"


def test_figures_are_those_measured_last() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "bench", tables.markdown(tables.kept())) == text, "run python -m tests.make_readme"


def test_figures_of_diagnosis_are_those_measured_last() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "diagnosis", diagnosed.markdown(diagnosed.kept())) == text, "run python -m tests.make_readme"


def test_commands_in_code_exist() -> None:
    text = README.read_text("utf-8")
    called = set(re.findall(r"^(?:\.venv/bin/)?fairvane ([a-z]+)", text, flags=re.MULTILINE))
    assert called
    assert called <= set(COMMANDS)


@pytest.mark.parametrize("name", ["run", "test"])
def test_one_command_each(name: str) -> None:
    """The gate runs what stands here: one line under each marker."""
    found = re.findall(rf"<!-- command: {name} -->\n```sh\n(.*?)```", README.read_text("utf-8"), flags=re.DOTALL)
    assert len(found) == 1
    assert len(found[0].strip().splitlines()) == 1
