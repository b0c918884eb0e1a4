"""The folder: what is in it, what it says, what it replaces, and what changed since the last one."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pandas as pd
import pytest

from qc.delivery.codes import IOC
from qc.delivery.means import DAY_RULES, SAMPLE_RULES
from qc.delivery.people import initials
from qc.errors import OutputError, StationFileError, UsageError
from qc.station import load
from tests.cli.runs import held
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES, delivered, rows_of, station_text, written

NAMES = ("t", "ws", "gust", "wd", "rain")
CORRECTIONS = """from,to,channel,operation,parameter,reason,by,decided
2026-06-01T06:00,2026-06-01T07:00,t,offset,0.5,"off against the check of Maria Lopez",Maria Lopez,2026-07-01
"""
DECISIONS = """from,to,channel,verdict,reason,by,decided
2026-06-01T08:00,2026-06-01T08:30,t,wrong,seen by Jan,Jan Kowalski,2026-07-02
"""


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample station, delivered once."""
    out = tmp_path_factory.mktemp("sample") / "out"
    formats = ("csv", "parquet", "netcdf")
    delivered(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES, out, formats=formats, drawn=True)
    return out


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_everything_is_there(sample: Path) -> None:
    names = {p.relative_to(sample).as_posix() for p in sample.rglob("*") if p.is_file()}
    small = ("completeness", "gaps", "episodes", "visits", "decisions", "corrections", "sensors", "rules", "changes")
    tables = [f"{name}.csv" for name in small]
    tables += [f"data/otter-fell.ten.2026-0{n}.csv" for n in (3, 4, 5)]
    tables += [f"means/otter-fell.ten.{span}.csv" for span in ("hour", "day", "month")]
    others = {
        "README.txt",
        "checksums.sha256",
        "datapackage.json",
        "otter-fell.station.toml",
        "otter-fell.summary.json",
    }
    wanted = others | {"data/otter-fell.ten.parquet", "data/otter-fell.ten.nc"}
    assert wanted | set(tables) | {t.replace(".csv", ".schema.json") for t in tables} <= names


def test_sha256sum_verifies_every_file(sample: Path) -> None:
    done = subprocess.run(["sha256sum", "-c", "checksums.sha256"], cwd=sample, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout
    told = {line.split("  ", 1)[1] for line in (sample / "checksums.sha256").read_text().splitlines()}
    assert told == {p.relative_to(sample).as_posix() for p in sample.rglob("*") if p.is_file()} - {"checksums.sha256"}


def test_a_changed_byte_is_noticed(sample: Path, tmp_path: Path) -> None:
    shutil.copytree(sample, tmp_path / "copy")
    with (tmp_path / "copy" / "gaps.csv").open("ab") as file:
        file.write(b"\n")
    done = subprocess.run(
        ["sha256sum", "-c", "checksums.sha256"], cwd=tmp_path / "copy", capture_output=True, check=False
    )
    assert done.returncode == 1


def test_data_is_what_check_writes_and_which_values_may_be_used(sample: Path, tmp_path: Path) -> None:
    """Months joined are the flagged table of `check`, with a boolean beside."""
    from qc import run

    run.write(run.check(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES), tmp_path)
    checked = pd.read_csv(tmp_path / "otter-fell.ten.flagged.csv", dtype=str, keep_default_na=False)
    parts = [pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted((sample / "data").glob("*.csv"))]
    data = pd.concat(parts, ignore_index=True)
    usable = [c for c in data if c.endswith("_usable")]
    for name in checked:  # numbers are the same, with a decimal point in a delivery
        if f"{name}_verdict" in checked:
            whole = data[name].str.endswith(".0")
            data.loc[whole, name] = data.loc[whole, name].str.removesuffix(".0")
    pd.testing.assert_frame_equal(data.drop(columns=usable), checked)
    for column in usable:
        name = column.removesuffix("_usable")
        good = data[f"{name}_verdict"] == "0"
        if f"{name}_corrected" in data:
            code = data[f"{name}_corrected_verdict"]
            good = good & (code == "7") | code.isin(["5", "6"])
        assert ((data[column] == "true") == good).all(), name
    assert len(usable) == 12 and (data["ghi_corrected_verdict"] == "5").sum() == 432


def test_a_row_lies_in_the_month_of_its_interval(sample: Path) -> None:
    for month, end in (("03", "2026-04-01T00:00:00Z"), ("04", "2026-05-01T00:00:00Z")):
        last = rows(sample / "data" / f"otter-fell.ten.2026-{month}.csv")[-1]
        assert last["time"] == end


def test_sums_tell_of_all_inputs_and_of_no_folder(sample: Path) -> None:
    document = json.loads((sample / "otter-fell.summary.json").read_text())
    told = {one["path"]: one["sha256"] for one in document["inputs"]}
    assert told == {t.name: hashlib.sha256(t.read_bytes()).hexdigest() for t in SAMPLE_TABLES}
    assert document["station_sha256"] == hashlib.sha256((sample / "otter-fell.station.toml").read_bytes()).hexdigest()
    for path in sample.rglob("*"):
        assert path.is_dir() or str(SAMPLE).encode() not in path.read_bytes(), path


def test_the_readme_answers_in_order(sample: Path) -> None:
    text = (sample / "README.txt").read_text()
    places = [text.index(q) for q in (
        "1 Is it complete?", "2 Which values may I use?", "3 What do the flags mean?",
        "4 What was changed, by whom, why?",
        "5 How sure is it?", "6 Can it be done again?", "7 What differs from the last delivery?", "Limits of use",
    )]  # fmt: skip
    assert places == sorted(places)
    assert "no basis for warnings that protect life" in text
    assert "two thirds of the expected samples" in text and "the 3/5 rule" in text
    assert "ghi, 2026-03-23T00:10:00Z to 2026-03-26T00:00:00Z: scale 0.526316 by technician" in text
    assert max(map(len, text.splitlines())) <= 100
    files = text[text.index("\nFiles\n") :]
    for path in sample.iterdir():
        if path.name != "README.txt" and not path.name.endswith(".schema.json"):
            assert f"\n{path.name}{'/' if path.is_dir() else ' '}" in files, path


def test_rules_have_sources(sample: Path) -> None:
    found = rows(sample / "rules.csv")
    assert len(found) > 200
    shipped = [r for r in found if r["origin"] != "station file"]
    assert all(r["source"] and r["title"] and r["standing"] and r["value"] for r in shipped)
    own = {r["limit"]: (r["value"], r["unit"]) for r in found if r["origin"] == "station file"}
    assert own["range.t_air.low"] == ("-40.0", "degC")


def test_sensors_have_a_row_for_each_deployment(sample: Path) -> None:
    found = [r for r in rows(sample / "sensors.csv") if r["channel"] == "ghi"]
    assert [(r["from"], r["to"], r["height"], r["serial"], r["calibration_lapsed"]) for r in found] == [
        ("2026-03-01T00:00:00Z", "2026-05-10T11:20:00Z", "2.0", "OF-0417", "false"),
        ("2026-05-10T11:20:00Z", "", "3.0", "OF-0417", "false"),
    ]


@pytest.mark.parametrize(("due", "lapsed"), [("2026-06-02", "true"), ("2026-06-03", "false"), ("2027-01-01", "false")])
def test_a_calibration_that_ran_out_is_told(tmp_path: Path, due: str, lapsed: str) -> None:
    """The last stamp is 2026-06-03T02:00; a calibration holds through the day that it is due."""
    text = station_text(("t",)) + f"[[channel.deployment]]\nfrom = 2026-01-01T00:00:00Z\ncalibration_due = {due}\n"
    of = written(tmp_path / "in", ("t",), rows_of(("t",)), text=text)
    delivered(of, [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    assert rows(tmp_path / "out" / "sensors.csv")[0]["calibration_lapsed"] == lapsed


# ---- the same again, and changes


def logged(where: Path, **logs: str) -> Path:
    written(where, NAMES, rows_of(NAMES), **logs)
    return where / "moor.station.toml"


def test_made_again_from_the_delivery_itself(tmp_path: Path) -> None:
    """The station file and the logs that were delivered give the same bytes."""
    file = logged(
        tmp_path / "in", corrections=CORRECTIONS, decisions=DECISIONS, visits="from,to,channels,effect,note\n"
    )
    tables = [tmp_path / "in" / "moor.csv"]
    delivered(load(file), tables, tmp_path / "one", formats=("csv", "parquet", "netcdf"))
    delivered(
        load(tmp_path / "one" / "moor.station.toml"), tables, tmp_path / "two", formats=("csv", "parquet", "netcdf")
    )
    assert held(tmp_path / "one") == held(tmp_path / "two")


def test_the_same_again_in_the_same_place_changes_no_byte(tmp_path: Path) -> None:
    file = logged(tmp_path / "in", corrections=CORRECTIONS)
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    before = held(tmp_path / "out")
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    assert held(tmp_path / "out") == before
    assert rows(tmp_path / "out" / "changes.csv") == []


def test_changes_are_values_and_verdicts_that_stood_there_before(tmp_path: Path) -> None:
    """A value that is another one, a decision, a correction; two rows more are counted, and are no change."""
    file = logged(tmp_path / "in", corrections="from,to,channel,operation,parameter,reason,by,decided\n")
    table = tmp_path / "in" / "moor.csv"
    delivered(load(file), [table], tmp_path / "out")
    lines = table.read_text().splitlines()
    assert lines[31].startswith("2026-06-01T05:10,")
    lines[31] = lines[31].replace(lines[31].split(",")[1], "15.25", 1)
    lines += ["2026-06-03T02:10,12,4,7,200,0", "2026-06-03T02:20,12,4,7,200,0"]
    table.write_text("\n".join(lines) + "\n")
    (tmp_path / "in" / "corrections.csv").write_text(CORRECTIONS)
    delivered(load(file), [table], tmp_path / "out")
    found = rows(tmp_path / "out" / "changes.csv")
    value = next(r for r in found if r["time"] == "2026-06-01T05:10:00Z" and r["what"] == "value")
    assert (value["table"], value["channel"], value["after"]) == ("ten", "t", "15.25")
    corrected = [r for r in found if r["what"] == "corrected"]
    assert [r["time"][11:16] for r in corrected] == ["06:00", "06:10", "06:20", "06:30", "06:40", "06:50", "07:00"]
    assert all(r["before"] == "" and r["after"] for r in corrected)
    assert {r["after"] for r in found if r["what"] == "corrected_verdict"} == {"5"}
    assert not [r for r in found if r["time"] > "2026-06-03T02:00:00Z"]
    assert "2 rows are new" in " ".join((tmp_path / "out" / "README.txt").read_text().split())


def test_other_codes_of_flags_are_no_change(tmp_path: Path) -> None:
    file = logged(tmp_path / "in", decisions=DECISIONS)
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out", scheme=IOC)
    assert rows(tmp_path / "out" / "changes.csv") == []


def test_a_row_and_a_channel_that_are_gone(tmp_path: Path) -> None:
    file = logged(tmp_path / "in")
    table = tmp_path / "in" / "moor.csv"
    delivered(load(file), [table], tmp_path / "out")
    lines = table.read_text().splitlines()
    del lines[10]
    table.write_text("\n".join(lines) + "\n")
    file.write_text(station_text(NAMES[:-1]))
    delivered(load(file), [table], tmp_path / "out")
    found = rows(tmp_path / "out" / "changes.csv")
    assert {"table": "ten", "time": "", "channel": "rain", "what": "channel", "before": "there", "after": ""} in found
    assert [(r["time"], r["channel"]) for r in found if r["what"] == "row"] == [("2026-06-01T01:40:00Z", "all")]


# ---- what may be replaced


def test_only_its_own_and_unchanged_files_are_replaced(tmp_path: Path) -> None:
    file = logged(tmp_path / "in")
    table, out = [tmp_path / "in" / "moor.csv"], tmp_path / "out"
    delivered(load(file), table, out)
    for name in ("README.txt", "data/moor.ten.2026-06.csv", "checksums.sha256"):
        kept = (out / name).read_bytes()
        (out / name).write_bytes(kept + b"mine\n")
        before = held(out)
        with pytest.raises(OutputError, match="was changed since it was written"):
            delivered(load(file), table, out)
        assert held(out) == before
        delivered(load(file), table, out, replace=True)
        assert (out / name).read_bytes() == kept


def test_a_longer_delivery_is_not_replaced_by_a_shorter_one(tmp_path: Path) -> None:
    file = logged(tmp_path / "in")
    table = tmp_path / "in" / "moor.csv"
    delivered(load(file), [table], tmp_path / "out", means=("hour", "day"))
    lines = table.read_text().splitlines()
    table.write_text("\n".join(lines[:200]) + "\n")
    before = held(tmp_path / "out")
    with pytest.raises(OutputError, match="more than the new one"):
        delivered(load(file), [table], tmp_path / "out", means=("hour",))
    assert held(tmp_path / "out") == before
    delivered(load(file), [table], tmp_path / "out", means=("hour",), replace=True)
    assert not (tmp_path / "out" / "means" / "moor.ten.day.csv").exists()  # the new summary does not tell of it
    assert [r["what"] for r in rows(tmp_path / "out" / "changes.csv")] == ["row"] * 101


def test_foreign_files_are_left_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "README.txt").write_text("mine\n")
    file = logged(tmp_path / "in")
    with pytest.raises(OutputError, match=r"README.txt.*without a summary"):
        delivered(load(file), [tmp_path / "in" / "moor.csv"], out)
    assert held(out) == {"README.txt": b"mine\n"}
    (out / "README.txt").unlink()
    (out / "notes.txt").write_text("mine\n")
    delivered(load(file), [tmp_path / "in" / "moor.csv"], out)
    assert (out / "notes.txt").read_text() == "mine\n"


def test_a_hostile_summary_deletes_nothing_elsewhere(tmp_path: Path) -> None:
    """A summary that names files outside of the folder, with their right sums."""
    file = logged(tmp_path / "in")
    table, out = [tmp_path / "in" / "moor.csv"], tmp_path / "out"
    delivered(load(file), table, out)
    (tmp_path / "precious.txt").write_text("mine\n")
    (out / "link").symlink_to(tmp_path)
    path = out / "moor.summary.json"
    document = json.loads(path.read_text())
    told = hashlib.sha256(b"mine\n").hexdigest()
    document["outputs"] |= {"../precious.txt": told, str(tmp_path / "precious.txt"): told, "link/precious.txt": told}
    path.write_text(json.dumps(document))
    delivered(load(file), table, out, replace=True)
    assert (tmp_path / "precious.txt").read_text() == "mine\n"


def test_a_failure_leaves_no_folder(tmp_path: Path) -> None:
    file = logged(tmp_path / "in")
    of = load(file)
    file.write_text(file.read_text() + "\n# changed meanwhile\n")
    with pytest.raises(StationFileError, match="was changed since it was read"):
        delivered(of, [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    assert not (tmp_path / "out").exists()


# ---- terms


def test_ioc_flags(tmp_path: Path) -> None:
    """Handbook 10: 0 is 1; 1, 2 are 3; 3 is 4; 4 is 2; 7 is 9; changed and estimated have no primary code."""
    assert IOC.of_verdict[:5] == (1, 3, 3, 4, 2) and IOC.of_verdict[7] == 9
    file = logged(tmp_path / "in", corrections=CORRECTIONS, decisions=DECISIONS)
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out", scheme=IOC)
    data = rows(tmp_path / "out" / "data" / "moor.ten.2026-06.csv")
    assert {(r["t_verdict"], r["t_verdict_wmo"]) for r in data} == {("1", "0"), ("4", "3")}
    assert {(r["t_corrected_verdict"], r["t_corrected_verdict_wmo"]) for r in data} == {("", "5"), ("9", "7")}
    hours = rows(tmp_path / "out" / "means" / "moor.ten.hour.csv")
    assert {(r["t_verdict"], r["t_verdict_wmo"]) for r in hours} == {("1", "0"), ("", "5"), ("9", "7")}
    episodes = rows(tmp_path / "out" / "episodes.csv")
    assert {(r["verdict"], r["verdict_wmo"]) for r in episodes if r["check"] == "decision"} == {("4", "3")}
    assert "9 missing" in (tmp_path / "out" / "README.txt").read_text()


def test_a_channel_may_not_have_the_name_of_a_column_of_flags(tmp_path: Path) -> None:
    text = station_text(("t",)).replace('name = "t"', 'name = "t_Verdict_WMO"')
    of = written(tmp_path / "in", ("t",), rows_of(("t",)), text=text)
    with pytest.raises(UsageError, match="rename the channel"):
        delivered(of, [tmp_path / "in" / "moor.csv"], tmp_path / "out", scheme=IOC)
    delivered(of, [tmp_path / "in" / "moor.csv"], tmp_path / "out")


def test_initials_stand_wherever_names_stood(tmp_path: Path) -> None:
    visits = (
        'from,to,channels,effect,note\n2026-06-01T10:00,2026-06-01T10:30,t,disturbed,"Lopez and maria lopez wiped it"\n'
    )
    file = logged(tmp_path / "in", corrections=CORRECTIONS, decisions=DECISIONS, visits=visits)
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out", initials=True)
    for path in sorted(tmp_path.joinpath("out").rglob("*")):
        if path.is_file():
            raw = path.read_bytes().lower()
            assert b"lopez" not in raw and b"kowalski" not in raw, path
    assert rows(tmp_path / "out" / "corrections.csv")[0]["by"] == "M.L."
    assert rows(tmp_path / "out" / "visits.csv")[0]["note"] == "L. and M.L. wiped it"
    assert "by J.K." in (tmp_path / "out" / "episodes.csv").read_text()
    delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "named")
    assert rows(tmp_path / "named" / "corrections.csv")[0]["by"] == "Maria Lopez"


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("Maria Lopez-Garcia", "M.L.G."), ("technician", "T."), ("MLG", "MLG"), ("M. L.", "M. L."),
        ("Ødegård, Åse", "Ø.Å."), ("", ""),
    ],
)  # fmt: skip
def test_initials(name: str, short: str) -> None:
    assert initials(name) == short


def test_the_rules_for_means_are_printed_and_kept(tmp_path: Path) -> None:
    file = logged(tmp_path / "in")
    terms = {"samples": SAMPLE_RULES["75%"], "days": DAY_RULES["11/5"]}
    document = delivered(load(file), [tmp_path / "in" / "moor.csv"], tmp_path / "out", **terms)
    assert (document["delivery"]["complete"], document["delivery"]["complete_month"]) == ("75%", "11/5")
    text = " ".join((tmp_path / "out" / "README.txt").read_text().split())
    assert "at least 75 % of the expected samples" in text and "fewer than 11 days" in text
    for span in ("hour", "day", "month"):
        told = json.loads((tmp_path / "out" / "means" / f"moor.ten.{span}.schema.json").read_text())["title"]
        assert "at least 75 % of the expected samples" in told and ("fewer than 11 days" in told) is (span == "month")


def test_no_means_where_none_can_be_made(tmp_path: Path) -> None:
    text = station_text(("t",), interval="7min")
    of = written(tmp_path / "in", ("t",), "time,t\n2026-06-01T00:07,1\n2026-06-01T00:14,2\n", text=text)
    document = delivered(of, [tmp_path / "in" / "moor.csv"], tmp_path / "out")
    assert {one["span"] for one in document["delivery"]["not_made"]} == {"hour", "day", "month"}
    assert not (tmp_path / "out" / "means").exists()
    assert "No means by hour of table ten" in " ".join((tmp_path / "out" / "README.txt").read_text().split())


# ---- more than one table

TWO = (
    station_text(("t",))
    + """
[[table]]
id = "tips"
kind = "event"
[[table.layout]]
names = ["tip"]
decimal = "."
missing = [""]
time = { columns = ["tip"], format = "%Y-%m-%dT%H:%M:%S" }
[[channel]]
name = "tip_rain"
table = "tips"
quantity = "precipitation"
column = "mm"
unit = "mm"
statistic = "total"
"""
).replace('name = "t"\n', 'name = "t"\ntable = "ten"\n')


def two(where: Path) -> list[Path]:
    written(where, ("t",), rows_of(("t",)), text=TWO)
    (where / "tips.csv").write_text(
        "tip,mm\n2026-06-01T00:03:07,0.2\n2026-06-01T01:00:00,0.2\n2026-07-02T10:00:00,0.2\n"
    )
    return [where / "moor.csv", where / "tips.csv"]


def test_a_table_of_events_beside_one_of_intervals(tmp_path: Path) -> None:
    tables = two(tmp_path / "in")
    document = delivered(
        load(tmp_path / "in" / "moor.station.toml"), tables, tmp_path / "out",
        formats=("csv", "parquet", "netcdf"), drawn=True,
    )  # fmt: skip
    names = sorted(p.name for p in (tmp_path / "out" / "data").iterdir() if p.suffix != ".json")
    assert names == [
        "moor.ten.2026-06.csv", "moor.ten.nc", "moor.ten.parquet",
        "moor.tips.2026-06.csv", "moor.tips.2026-07.csv", "moor.tips.nc", "moor.tips.parquet",
    ]  # fmt: skip
    assert {(one["table"], one["span"]) for one in document["delivery"]["not_made"]} == {
        ("tips", "hour"), ("tips", "day"), ("tips", "month")
    }  # fmt: skip
    found = {
        (r["channel"], r["month"]): (r["expected"], r["gaps"]) for r in rows(tmp_path / "out" / "completeness.csv")
    }
    assert found == {
        ("t", "2026-06"): ("300", "0"),
        ("tip_rain", "2026-06"): ("2", "0"),
        ("tip_rain", "2026-07"): ("1", "0"),
    }
    assert "a table of events has no grid" in " ".join((tmp_path / "out" / "README.txt").read_text().split())


def test_a_table_without_a_row_in_the_period(tmp_path: Path) -> None:
    tables = two(tmp_path / "in")
    document = delivered(
        load(tmp_path / "in" / "moor.station.toml"), tables, tmp_path / "out",
        formats=("csv", "parquet", "netcdf"), drawn=True, first="2026-06-02",
        last="2026-06-02",
    )  # fmt: skip
    assert document["tables"]["tips"]["rows"] == 0
    assert [p.name for p in (tmp_path / "out" / "data").glob("*.csv")] == ["moor.ten.2026-06.csv"]
    assert "table tips: no row in the period" in (tmp_path / "out" / "README.txt").read_text()


def test_a_check_and_a_delivery_never_replace_each_other(tmp_path: Path) -> None:
    """Their summaries have one name; with `replace` what the other wrote stays where it is."""
    from qc import run

    file = logged(tmp_path / "in")
    of, tables = load(file), [tmp_path / "in" / "moor.csv"]
    run.write(run.check(of, tables), tmp_path / "checked")
    delivered(of, tables, tmp_path / "sent")
    checked, sent = held(tmp_path / "checked"), held(tmp_path / "sent")
    with pytest.raises(OutputError, match="tells of a check, not of a delivery"):
        delivered(of, tables, tmp_path / "checked")
    with pytest.raises(OutputError, match="tells of a delivery, not of a check"):
        run.write(run.check(of, tables), tmp_path / "sent")
    assert (held(tmp_path / "checked"), held(tmp_path / "sent")) == (checked, sent)
    delivered(of, tables, tmp_path / "checked", replace=True)
    run.write(run.check(of, tables), tmp_path / "sent", replace=True)
    assert checked.keys() <= held(tmp_path / "checked").keys()
    assert sent.keys() <= held(tmp_path / "sent").keys()
