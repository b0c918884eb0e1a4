"""The rehearsal: what is planted and found, what cannot be, and how long it takes; on small invented stations."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from qc import rehearsal
from qc.faults import GRADES, Cleared, Clue, Fault, Injection, Suspect, registry
from qc.injection import Files
from qc.rehearsal import Rehearsed, Trial, cut, judged, rehearse, window
from qc.station import parse
from qc.write.rehearsed import document, picture, span, told
from tests.bench.invented import made
from tests.cli.runs import here


@cache
def folder_of(days: int, where: str) -> tuple[Path, Path]:
    return made("A-maritime", days).write(Path(where))


def trial(grade: str, *, first: bool, days: float | None = None, taken: str = "") -> Trial:
    return Trial(grade, np.datetime64("2024-04-10", "us"), ("ghi",), {}, first, first, 0.9 * first, {}, taken, days, "")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("caught", "smallest"),
    [
        ({"near": True, "typical": True, "gross": True}, "near"),
        ({"near": False, "typical": True, "gross": True}, "typical"),
        ({"near": True, "typical": False, "gross": True}, "gross"),  # a lucky small one proves nothing
        ({"near": False, "typical": False, "gross": False}, None),
        ({"typical": True}, "typical"),
    ],
)
def test_the_smallest_grade_is_caught_with_all_above_it(caught: dict[str, bool], smallest: str | None) -> None:
    fault = registry()["pyranometer-zero"]
    one = Rehearsed(fault, "main", tuple(trial(g, first=c, days=2.0 if c else None) for g, c in caught.items()))
    assert one.smallest == smallest


def test_the_wait_is_the_longest_and_none_where_one_is_missed() -> None:
    fault = registry()["pyranometer-zero"]
    one = Rehearsed(
        fault,
        "main",
        (trial("gross", first=True, days=3.0), trial("gross", first=True, days=7.0), trial("near", first=False)),
    )
    assert one.days("gross") == 7.0
    assert one.days("near") is None
    assert one.days("typical") is None


def stepped(id: str, needed: int) -> Fault:
    """A fault that shows after so many rows above 900 W/m2 at night."""

    def test(case: object) -> list[object]:
        channel = case.mate("global_irradiance")  # type: ignore[attr-defined]
        bad = case.night & (case.values(channel) > 900.0)  # type: ignore[attr-defined]
        if bad.sum() < needed:
            return [Cleared((channel.name,), "no")]
        first = case.time[np.flatnonzero(bad)[0]]  # type: ignore[attr-defined]
        return [
            Suspect(
                (channel.name,),
                (Clue("a", 4, ""), Clue("b", 4, "")),
                {"offset_w_m2": 950.0},
                "s",
                first,
                case.last,
                (first, first),
            )
        ]  # type: ignore[attr-defined]

    def inject(case: object, grade: str, rng: np.random.Generator) -> Injection | None:
        channel = case.mate("global_irradiance")  # type: ignore[attr-defined]
        row = case.rows // 2  # type: ignore[attr-defined]
        values = case.values(channel).copy()  # type: ignore[attr-defined]
        values[row:] += 950.0 if grade != "near" else 0.5
        return Injection((channel.name,), case.time[row], case.last, {"offset_w_m2": 950.0}, {channel.name: values})  # type: ignore[attr-defined]

    real = registry()["pyranometer-zero"]
    return Fault(id, "sensor", real.needs, 0.0, test, inject, real.picture, real.keys, "remote")  # type: ignore[arg-type]


def test_the_shortest_record_is_found_by_halving(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fault = stepped("pyranometer-zero", 200)
    monkeypatch.setattr(rehearsal, "registry", lambda: {fault.id: fault})
    monkeypatch.setattr("qc.diagnosis.registry", lambda: {fault.id: fault})
    file, table = made("A-maritime", 16).write(tmp_path)
    found = rehearse(parse(file.read_bytes()), [table], onsets=1)
    (one,) = found.faults
    assert [t.first for t in one.trials] == [False, True, True]
    assert one.smallest == "typical"
    took = one.days("typical")
    assert took is not None
    onset = one.of("typical")[0].onset
    files = Files(parse(file.read_bytes()), [table])
    case = rehearsal.case_of(rehearsal.chain.run(files.record, rehearsal.limits_of(files.station)), "main")
    nights = case.time[case.night & (case.time >= onset)]
    truth = float((nights[199] - onset) / np.timedelta64(1, "D"))
    steps = rehearsal.STEPS_D
    assert took == next(s for s in steps if s >= truth)


def test_what_is_there_already_is_not_planted_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fault = stepped("pyranometer-zero", 1)
    monkeypatch.setattr(rehearsal, "registry", lambda: {fault.id: fault})
    monkeypatch.setattr("qc.diagnosis.registry", lambda: {fault.id: fault})
    one = made("A-maritime", 6)
    head, *rows = one.raw.decode().splitlines()
    column = head.split(",").index("Global")
    spoilt = [[c if n != column else "950.0" for n, c in enumerate(row.split(","))] for row in rows]
    table = tmp_path / "t.csv"
    table.write_text("\n".join([head, *(",".join(row) for row in spoilt)]) + "\n", "utf-8")
    found = rehearse(one.station, [table], onsets=1)
    assert [f.fault.id for f in found.natural] == ["pyranometer-zero"]
    assert found.faults[0].trials == ()
    assert found.faults[0].cannot == "is found in the tables as they are"
    assert "Found as it is: pyranometer-zero at ghi" in told(found)


def test_a_piece_of_the_tables_holds_its_rows_and_no_other() -> None:
    one = made("A-maritime", 10)
    import tempfile

    with tempfile.TemporaryDirectory() as where:
        _, table = one.write(Path(where))
        files = Files(one.station, [table])
    time = files.record.tables["main"].time
    piece = window(files, time[100], time[500]).files.record.tables["main"]
    assert np.array_equal(piece.time, time[100:501])
    assert np.array_equal(
        piece.channels["p"].values, files.record.tables["main"].channels["p"].values[100:501], equal_nan=True
    )
    assert cut(files.record, time[70]).tables["main"].rows == 71


def test_the_right_one_needs_the_right_channel_and_to_be_new() -> None:
    class Named:
        def __init__(self, fault: str, channels: tuple[str, ...], confidence: float) -> None:
            self.fault = registry()["pyranometer-zero"] if fault == "zero" else registry()["sensor-frozen"]
            self.suspect = type("S", (), {"channels": channels})()
            self.confidence, self.id = confidence, f"{self.fault.id}@{'.'.join(channels)}"

    found = type(
        "D",
        (),
        {"findings": (Named("frozen", ("ws",), 0.95), Named("zero", ("dhi",), 0.9), Named("zero", ("ghi",), 0.8))},
    )()
    right, surest = judged("pyranometer-zero", ("ghi",), found, frozenset())  # type: ignore[arg-type]
    assert right is found.findings[2]
    assert surest is found.findings[0]
    right, surest = judged("pyranometer-zero", ("ghi",), found, frozenset({"sensor-frozen@ws", "pyranometer-zero@dhi"}))  # type: ignore[arg-type]
    assert right is surest is found.findings[2]
    right, surest = judged("pyranometer-zero", ("rh",), found, frozenset())  # type: ignore[arg-type]
    assert right is None
    assert surest is found.findings[0]


@pytest.mark.parametrize(
    ("days", "words"), [(0.25, "6 h"), (1, "24 h"), (1.99, "47.8 h"), (2, "2 d"), (13.8, "13.8 d")]
)
def test_waits_as_people_say_them(days: float, words: str) -> None:
    assert span(days) == words


def test_the_command_writes_a_document_and_a_picture(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file, table = made("A-maritime", 12).write(tmp_path)
    arguments = (
        "rehearse",
        file,
        table,
        "--out",
        tmp_path / "out",
        "--onsets",
        "1",
        "--fault",
        "pyranometer-zero",
        "--fault",
        "bus-dropout",
    )
    ran = here(capsys, *arguments)
    assert ran.status == 0, ran.err
    assert "pyranometer-zero" in ran.out
    assert "Nothing is wrong in the tables as they are." in ran.out
    written = json.loads((tmp_path / "out" / "A-maritime.rehearsal.json").read_text("utf-8"))
    assert [f["fault"] for f in written["faults"]] == ["bus-dropout", "pyranometer-zero"]
    zero = written["faults"][1]
    assert set(zero["grades"]) == set(GRADES)
    assert zero["grades"]["typical"]["named_first"] == 1
    assert zero["plantings"][1]["evidence"]["offset_w_m2"] == pytest.approx(
        zero["plantings"][1]["planted"]["offset_w_m2"], abs=2.0
    )
    assert (tmp_path / "out" / "A-maritime.rehearsal.png").read_bytes().startswith(b"\x89PNG")
    assert list(written["outputs"]) == ["A-maritime.rehearsal.png"]
    before = table.read_bytes()
    ran = here(capsys, *arguments, "--json")  # the same again may replace its own outputs
    assert ran.status == 0, ran.err
    assert json.loads(ran.out)["faults"] == written["faults"]
    assert table.read_bytes() == before


def test_a_picture_of_nothing_is_drawn_too(tmp_path: Path) -> None:
    file, table = made("A-maritime", 3).write(tmp_path)
    found = rehearse(parse(file.read_bytes()), [table], onsets=1, faults=["gauge-open"])
    assert picture(found) is not None
    assert document(found)["faults"] == [] or document(found)["faults"][0]["fault"] == "gauge-open"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--fault", "pyranometer-zeros"), "nearest known: pyranometer-zero"),
        (("--onsets", "0"), "0 is not in the range"),
    ],
)
def test_unusable_arguments_write_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    file, table = made("A-maritime", 3).write(tmp_path)
    ran = here(capsys, "rehearse", file, table, "--out", tmp_path / "out", *arguments)
    assert ran.status == 2
    assert words in ran.line
    assert not (tmp_path / "out").exists()


def test_outputs_of_others_are_left_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file, table = made("A-maritime", 3).write(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "A-maritime.rehearsal.png").write_bytes(b"mine")
    ran = here(capsys, "rehearse", file, table, "--out", out, "--fault", "pyranometer-zero", "--onsets", "1")
    assert ran.status == 2
    assert (out / "A-maritime.rehearsal.png").read_bytes() == b"mine"
