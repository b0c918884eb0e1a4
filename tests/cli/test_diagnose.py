"""`fairvane diagnose` and `fairvane faults`, as a user meets them: on the sample station, whose faults are known."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.diagnosis import Diagnosis, Finding
from qc.faults import IDS, registry
from qc.places import folder
from qc.write.faults import faults_page
from tests.cli.runs import held
from tests.cli.runs import here as cli
from tests.faults.planted import unchecked
from tests.test_diagnosis import T0, record, suspect

SAMPLE = folder("sample_data")
TRUTH: list[dict[str, Any]] = tomllib.loads((SAMPLE / "truth.toml").read_text("utf-8"))["planted"]
TABLES = ("otter-fell_a.csv", "otter-fell_b.csv")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("otter")
    for path in SAMPLE.glob("*"):
        if path.is_file():
            shutil.copy(path, where / path.name)
    return where


@pytest.fixture(scope="module")
def diagnosed(place: Path) -> dict[str, Any]:
    """The document of one run over the sample station; the outputs lie in `out`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        run = subprocess.run(
            [sys.executable, "-m", "qc", "diagnose", "otter-fell.station.toml", *TABLES, "--out", "out", "--json"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    assert run.stderr == ""
    found: dict[str, Any] = json.loads(run.stdout)
    return found


FOUND = ["bus-dropout", "sensor-frozen", "vane-stuck", "gauge-clogged", "pyranometer-shaded", "battery-failing"]


@pytest.mark.parametrize("fault", FOUND)
def test_what_was_planted_is_named_with_its_onset(diagnosed: dict[str, Any], fault: str) -> None:
    planted = next(p for p in TRUTH if p["fault"] == fault)
    found = next(f for f in diagnosed["findings"] if f["fault"] == fault)
    assert set(found["channels"]) == set(planted["channels"])
    assert found["confidence"] >= 0.5
    begin = np.datetime64(planted["from"].replace(tzinfo=None), "us")
    early, late = (np.datetime64(m.removesuffix("Z"), "us") for m in found["onset"])
    slack = np.timedelta64(2 if fault == "gauge-clogged" else 0, "h")  # the drip counts once the shower is over
    days = np.timedelta64(4 if fault == "pyranometer-shaded" else 0, "D")  # a shadow needs clear days
    near = np.timedelta64(20, "m")  # a value that stands still may be like the one before by chance
    assert early - slack - near <= begin <= late + slack + days + near


def test_nothing_else_is_named(diagnosed: dict[str, Any]) -> None:
    """But the two days of pressure 160 hPa too low, which look like a constant that was changed and changed back."""
    others = {(f["fault"], *f["channels"]) for f in diagnosed["findings"] if f["fault"] not in FOUND}
    assert others == {("constants-wrong", "p")}
    (constant,) = (f for f in diagnosed["findings"] if f["fault"] == "constants-wrong")
    assert "barometer-offset" in {r["fault"] for r in constant["rivals"] if r["confidence"] > 0.1}


def test_the_document_is_that_of_the_contract(diagnosed: dict[str, Any], place: Path) -> None:
    assert json.loads((place / "out" / "otter-fell.faults.json").read_text("utf-8")) == diagnosed
    keys = {"id", "fault", "channels", "device", "confidence", "from", "to", "onset", "summary", "evidence", "rivals",
            "site_checks", "caution", "data_action", "go"}  # fmt: skip
    confidences = [f["confidence"] for f in diagnosed["findings"]]
    assert confidences == sorted(confidences, reverse=True)
    for finding in diagnosed["findings"]:
        assert keys <= set(finding)
        assert set(finding["evidence"]) == set(registry()[finding["fault"]].keys)
        assert finding["from"] <= finding["to"] and finding["caution"] and finding["site_checks"]
    assert {c["fault"] for c in diagnosed["cleared"]} <= set(IDS)
    assert all({"fault", "why", "decidable_after"} <= set(n) for n in diagnosed["not_tested"])


def test_the_same_inputs_give_the_same_bytes_and_are_replaced_only_as_allowed(
    place: Path, diagnosed: dict[str, Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    before = held(place / "out")
    arguments = ("diagnose", "otter-fell.station.toml", *reversed(TABLES), "--out", "out", "--quiet")
    ran = cli(capsys, *arguments)
    assert (ran.status, ran.out, ran.err) == (0, "", "")
    assert held(place / "out") == before
    ran = cli(capsys, *arguments, "--from", "2026-04-01")
    assert ran.status == 2 and "covers" in ran.line
    (place / "out" / "otter-fell.proposed.toml").write_text("mine")
    ran = cli(capsys, *arguments)
    assert ran.status == 2 and "was changed since it was written" in ran.line
    assert cli(capsys, *arguments, "--replace").status == 0
    assert held(place / "out") == before


def test_fail_on(place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(place)
    arguments = (
        "diagnose",
        "otter-fell.station.toml",
        *TABLES,
        "--quiet",
        "--from",
        "2026-03-15",
        "--to",
        "2026-03-25",
    )
    assert cli(capsys, *arguments, "--out", "f1", "--fail-on", "sensor-frozen,clock-offset").status == 3
    assert cli(capsys, *arguments, "--out", "f2", "--fail-on", "clock-offset").status == 0
    ran = cli(capsys, *arguments, "--out", "f3", "--fail-on", "sensor-frosen")
    assert ran.status == 2 and "nearest known: sensor-frozen" in ran.line
    assert not (place / "f3").exists()


def test_from_python(place: Path, diagnosed: dict[str, Any]) -> None:
    import qc

    found = qc.diagnose(qc.read_station(place / "otter-fell.station.toml"), [place / name for name in TABLES])
    assert [f.id for f in found.findings] == [f["id"] for f in diagnosed["findings"]]


# ---- the book


def test_the_book(capsys: pytest.CaptureFixture[str]) -> None:
    ran = cli(capsys, "faults")
    assert [line.split()[0] for line in ran.out.splitlines()[: len(registry())]] == list(registry())
    ran = cli(capsys, "faults", "vane-stuck")
    for part in (
        "What the data show:",
        "Check at the station, in this order:",
        "Caution:",
        "Numbers that its test goes by:",
    ):
        assert part in ran.out
    entry = json.loads(cli(capsys, "faults", "vane-stuck", "--json").out)["faults"][0]
    assert entry["id"] == "vane-stuck" and all(limit["standing"] for limit in entry["limits"])


def test_a_fault_that_is_none(capsys: pytest.CaptureFixture[str]) -> None:
    ran = cli(capsys, "faults", "vane-stick")
    assert ran.status == 2 and ran.line.endswith("(nearest known: vane-stuck); `fairvane faults` lists them")


# ---- the page


class Read(HTMLParser):
    """Tags and texts of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}


def test_the_page_has_a_section_a_finding_and_a_picture_in_each(diagnosed: dict[str, Any], place: Path) -> None:
    text = (place / "out" / "otter-fell.faults.html").read_text("utf-8")
    read = Read(text)
    assert read.tags.count("img") == len(diagnosed["findings"])
    assert "script" not in read.tags and "http-equiv" in read.attributes
    for number in range(1, len(diagnosed["findings"]) + 1):
        assert f'id="finding-{number}"' in text
    assert "no basis for warnings that protect life" in text.replace("\n", " ")


def test_hostile_texts_are_harmless_on_the_page() -> None:
    bad = '<img src=x onerror=alert(1)>"\u202e'
    base = record()
    site = base.station.station.model_copy(update={"name": bad})
    from dataclasses import replace

    named = replace(base, station=base.station.model_copy(update={"station": site}))
    one = replace(suspect(("a",), device=bad), summary=bad, evidence={"level": bad})
    finding = Finding(registry()["channel-open"], one, "ten", 3.0, 0.9)
    text = faults_page(Diagnosis(unchecked(named), (finding,), (), (), {}), (f"{T0}Z", f"{T0}Z"))
    read = Read(text)
    assert "img" not in read.tags and "onerror" not in read.attributes and "\u202e" not in text


def test_a_page_without_findings_says_so() -> None:
    text = faults_page(Diagnosis(unchecked(record()), (), (), (), {}), (f"{T0}Z", f"{T0}Z"))
    assert "No fault was found" in text
