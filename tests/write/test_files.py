"""Outputs appear whole or not at all, and replace only what they may."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from qc import run
from qc.errors import OutputError
from qc.write.files import Outputs, stale
from tests.write.runs import ROWS, checked


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_nothing_is_there_before_publish(tmp_path: Path) -> None:
    with Outputs(tmp_path / "out") as outputs:
        outputs.write_text("a.csv", "a\n")
        assert not (tmp_path / "out" / "a.csv").exists()
        outputs.publish()
        assert names(tmp_path / "out") == ["a.csv"]
    assert (tmp_path / "out" / "a.csv").read_text() == "a\n"


def test_a_failure_while_writing_leaves_nothing(tmp_path: Path) -> None:
    def pieces() -> Iterator[bytes]:
        yield b"half of it"
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError) as caught, Outputs(tmp_path / "new" / "out") as outputs:
        outputs.write_text("a.csv", "a\n")
        outputs.write("b.csv", pieces())
    assert "No space left" in caught.value.line()
    assert "make room" in caught.value.line()
    assert list(tmp_path.iterdir()) == []  # nor the folders that were made for it


def test_any_other_failure_leaves_the_old_outputs(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("old\n")
    with pytest.raises(ZeroDivisionError), Outputs(tmp_path) as outputs:
        outputs.write_text("a.csv", "new\n")
        raise ZeroDivisionError
    assert names(tmp_path) == ["a.csv"]
    assert (tmp_path / "a.csv").read_text() == "old\n"


def test_leaving_without_publish_leaves_nothing(tmp_path: Path) -> None:
    with Outputs(tmp_path) as outputs:
        outputs.write_text("a.csv", "a\n")
    assert names(tmp_path) == []


def test_the_summary_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[str] = []
    rename = Path.replace

    def noted(self: Path, target: Path) -> Path:
        given.append(Path(target).name)
        return rename(self, target)

    monkeypatch.setattr(Path, "replace", noted)
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    assert given[-1] == "moor.summary.json"
    assert sorted(given) == names(tmp_path / "out")


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="is no folder"), Outputs(tmp_path / "out"):
        pass


# --- replacing

FIRST, LATER = ROWS.split("2026-06-21T13:10")[0], ROWS


def test_own_outputs_are_replaced_by_more(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in", FIRST), tmp_path / "out")
    before = (tmp_path / "out" / "moor.ten.flagged.csv").read_bytes()
    run.write(checked(tmp_path / "in", LATER), tmp_path / "out")
    assert len((tmp_path / "out" / "moor.ten.flagged.csv").read_bytes()) > len(before)


def test_the_same_again_gives_the_same_bytes(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before


def _stands(tmp_path: Path, rows: str, message: str) -> None:
    """The outputs are refused and stay as they are; with replace they are replaced."""
    out = tmp_path / "out"
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    with pytest.raises(OutputError, match=message):
        run.write(checked(tmp_path / "in", rows), out)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    run.write(checked(tmp_path / "in", rows), out, replace=True)
    assert {p.name: p.read_bytes() for p in out.iterdir()} != before


def test_less_does_not_replace_more(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in", LATER), tmp_path / "out")
    _stands(tmp_path, FIRST, "covers 2026-06-21T12:10:00Z to 2026-06-21T13:30:00Z")


def test_a_file_that_was_changed_stands(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    with (tmp_path / "out" / "moor.ten.flagged.csv").open("a") as file:
        file.write("\n")
    _stands(tmp_path, ROWS, "was changed since it was written")


def test_a_file_that_is_not_ours_stands(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "moor.ten.flagged.csv").write_text("mine\n")
    _stands(tmp_path, ROWS, "without a summary that tells of it")


def test_a_file_that_the_summary_does_not_tell_of_stands(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    summary = tmp_path / "out" / "moor.summary.json"
    document = json.loads(summary.read_text("utf-8"))
    del document["outputs"]["moor.rejects.csv"]
    summary.write_text(json.dumps(document), "utf-8")
    _stands(tmp_path, ROWS, "does not tell of it")


def test_other_files_in_the_folder_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("mine\n")
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    assert (tmp_path / "out" / "notes.txt").read_text() == "mine\n"


def test_outputs_that_a_later_run_does_not_write_are_taken_away(tmp_path: Path) -> None:
    """Else the new summary would not tell of them, and a third run would be refused for a file that nobody knows."""
    own = {"s.t.flagged.parquet": b"old", "s.t.flagged.csv": b"old"}
    for name, data in own.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "other.csv").write_bytes(b"old")
    (tmp_path / "s.notes.txt").write_bytes(b"changed")
    sums = {name: hashlib.sha256(b"old").hexdigest() for name in (*own, "other.csv", "s.notes.txt", "../up.csv")}
    (tmp_path / "s.summary.json").write_text(json.dumps({"outputs": sums}))
    assert stale(tmp_path, ["s.t.flagged.csv"], "s.summary.json") == [tmp_path / "s.t.flagged.parquet"]
    assert stale(tmp_path / "none", [], "s.summary.json") == []


def test_names_may_lead_into_folders(tmp_path: Path) -> None:
    """They are made, and taken away again where nothing is published."""
    with Outputs(tmp_path / "out") as outputs:
        outputs.write_text("data/a.csv", "a\n")
        outputs.write_text("data/deep/b.csv", "b\n")
        assert not (tmp_path / "out" / "data" / "a.csv").exists()
    assert names(tmp_path) == []
    with Outputs(tmp_path / "out") as outputs:
        outputs.write_text("data/a.csv", "a\n")
        outputs.publish()
    assert (tmp_path / "out" / "data" / "a.csv").read_text() == "a\n"
    assert names(tmp_path / "out" / "data") == ["a.csv"]
    with pytest.raises(ZeroDivisionError), Outputs(tmp_path / "out") as outputs:
        outputs.write_text("data/a.csv", "new\n")
        outputs.write_text("means/a.csv", "new\n")
        raise ZeroDivisionError
    assert (tmp_path / "out" / "data" / "a.csv").read_text() == "a\n"
    assert names(tmp_path / "out") == ["data"]


def test_leftovers_in_folders_only_where_they_are_asked_for(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "data").mkdir(parents=True)
    (out / "data" / "a.csv").write_bytes(b"old")
    (out / "mine.csv").write_bytes(b"changed")
    told = hashlib.sha256(b"old").hexdigest()
    (tmp_path / "a.csv").write_bytes(b"old")
    (out / "s.summary.json").write_text(
        json.dumps({"outputs": {"data/a.csv": told, "mine.csv": told, "../a.csv": told}, "delivery": {}})
    )
    assert stale(out, [], "s.summary.json") == []
    assert stale(out, [], "s.summary.json", delivery=True) == [out / "data" / "a.csv"]
    assert stale(out, ["data/a.csv"], "s.summary.json", delivery=True) == []
