"""README tells the truth: its generated parts are fresh, its commands exist."""

from __future__ import annotations

import re

import pytest

from qc.cli import COMMANDS
from tests.bench import diagnosed, fleet, nights_kept, tables
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


def test_figures_of_fleets_are_those_measured_last() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "fleet", fleet.markdown(fleet.kept())) == text, "run python -m tests.make_readme"


def test_years_of_nights_are_those_that_were_kept() -> None:
    text = README.read_text("utf-8")
    assert filled(text, "nights", nights_kept.markdown(nights_kept.kept())) == text, "run python -m tests.make_readme"


def test_what_years_of_nights_missed_is_told() -> None:
    row = {"plant": "p", "station": "A", "from": 30, "to": 40, "after_days": 0, "told": [30], "cleared_after_days": 7}
    rows = [
        row, row | {"plant": "never", "after_days": None, "told": [], "cleared_after_days": None},
        row | {"plant": "late", "after_days": 3, "told": [33]}, row | {"plant": "soon", "after_days": 2, "told": [32]},
        row | {"plant": "twice", "told": [30, 50]}, row | {"plant": "open", "cleared_after_days": None},
    ]  # fmt: skip
    noise = {"station": "A", "finding": "f@x", "text": "f at x", "where": "", "day": 99, "after": 0}
    run = {"stations": ["A"], "seed": 7, "plants": rows, "station_nights": 365, "seconds": 9, "not_planted": {}}
    run |= {"noise": [noise | {"state": s} for s in ("new", "cleared")]}
    told = nights_kept.markdown([run])
    assert "| reported | A (7) | 6 | 5 | 4 | 4 | 4 | 2 (1) | 2 |" in told
    for what in (
        "never told: never at A (days 30 to 40).", "told later: late at A (+3).", "told more than once: twice at A.",
        "not cleared within a month: open at A.", "noise: new f at x at A, night 99, in health.",
    ):  # fmt: skip
        assert f"- reported, {what}" in told
    assert "looked into," not in told


def test_what_was_promised_of_fleets_is_told_beside_what_was_measured() -> None:
    night = {"night_s": 400.0, "digest_s": 1.0, "parent_mib": 1, "worker_mib": 1, "ratio": 1.0}
    small = night | {"stations": 100, "archive_s": 9.0, "diagnosis_s": 30.0, "idle_s": 0.1}
    large = night | {"stations": 1000, "archive_s": 120.0, "diagnosis_s": 300.4, "idle_s": 5.2}
    dask = {"ratio": 1.3, "ratios": [1.2, 1.4], "stations": 100}
    told = fleet.markdown({"cores": 2, "nights": [small, large], "dask": dask})
    assert (
        "archive 120.0 s of 120 s, diagnosis 300.4 s of 300 s (missed), a night with nothing new 5.2 s of 5 s (m"
        in told
    )
    assert "promised: at most 1.3)" in told
    told = fleet.markdown({"cores": 2, "nights": [small], "dask": dask | {"ratio": 1.31}})
    assert "promised: at most 1.3: missed)" in told


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
