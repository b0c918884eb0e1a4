"""Every case of every check's table, and that no check, limit file or table of cases is missing its fellows."""

from __future__ import annotations

import numpy as np
import pytest

from qc.chain import CheckedTable
from qc.checks import doc, registry
from qc.episodes import episodes
from qc.places import folder
from qc.verdicts import ChannelVerdicts, Found
from tests.checks.cases import FOLDER, Case, outcome, scene, series, tables

VALUELESS = {"gap", "timing"}  # of rows, not of values: tested in tests/test_chain.py


@pytest.mark.parametrize("case", tables(), ids=str)
def test_case(case: Case) -> None:
    found = outcome(case)
    for name, expected in case.data.get("expect", {}).items():
        assert found[name] == series(expected)
    for name, why in case.data.get("not_applied", {}).items():
        assert isinstance(found[name], str)
        assert why in found[name]
    assert found, "a case expects something"


@pytest.mark.parametrize("check", [c for c in registry() if c not in VALUELESS])
def test_three_files_a_check(check: str) -> None:
    module = check.replace("-", "_")
    assert (folder("rules").parent / "qc" / "checks" / f"{module}.py").is_file()
    assert (FOLDER / f"{check}.toml").is_file(), f"tests/checks/{check}.toml is missing"
    names = [c.name for c in tables() if c.check == check]
    assert len(names) >= 3
    assert len(names) == len(set(names))


@pytest.mark.parametrize("check", list(registry()))
def test_doc_in_one_shape(check: str) -> None:
    parts = doc(check)
    assert list(parts) == ["Title", "Tests", "Matters", "Not a fault", "Limits"]
    assert parts["Title"].endswith(".")


@pytest.mark.parametrize("case", [c for c in tables() if "expect" in c.data], ids=str)
def test_episode_is_told_with_numbers(case: Case) -> None:
    """Each failing case gives an episode whose message is a plain line without a hole in it."""
    made = scene(case)
    check = registry()[case.check]
    for channel in made.channels:
        if channel.name not in case.data["expect"] or not check.tests(channel):
            continue
        found = check.run(made, channel)
        if not isinstance(found, Found) or not found.verdict.any():
            continue
        verdicts = {c.name: ChannelVerdicts.empty(made.rows) for c in made.channels}
        verdicts[channel.name].add(check.id, check.witness, found)
        codes = {name: v.merged(np.isfinite(made.table.channels[name].values)) for name, v in verdicts.items()}
        for episode in episodes(made.station, CheckedTable(made.table, verdicts, codes)):
            if episode.check == check.id:
                assert len(episode.message) > 15
                assert not {"nan", "None", "inf"} & set(episode.message.replace(",", " ").split())
                assert "\n" not in episode.message
