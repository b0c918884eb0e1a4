"""Neighbours: what of a flagged table counts, how it is laid onto a station's rows, and which files are refused."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from qc import neighbours, run
from qc.errors import UsageError
from qc.neighbours import Neighbour
from qc.station import Station, parse
from qc.verdicts import DOUBTFUL, FAMILIES, GOOD, INCONSISTENT, NEIGHBOUR, OWN, WRONG, Failure, merge
from tests.cli.runs import held, here

MINUTE = 60_000_000

STATION = """
[station]
id = "{id}"
name = "Somewhere"
latitude = {latitude}
longitude = -2.95
elevation = {elevation}
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "{interval}"
stamps = "{stamps}"
[[table.layout]]
names = ["time", "t"]
decimal = "."
missing = [""]
time = {{ columns = ["time"], format = "%Y-%m-%dT%H:%M" }}
[[channel]]
name = "top"
column = "top"
quantity = "air_temperature"
statistic = "max"
unit = "degC"
[[channel]]
name = "t"
column = "t"
quantity = "air_temperature"
unit = "degC"
[[channel]]
name = "ws"
column = "ws"
quantity = "wind_speed"
unit = "m/s"
"""
START = np.datetime64("2026-03-01T00:00", "m")


def station(
    name: str = "mill", latitude: float = 54.61, elevation: float = 310.0, interval: int = 10, stamps: str = "end"
) -> str:
    return STATION.format(id=name, latitude=latitude, elevation=elevation, interval=f"{interval}min", stamps=stamps)


def day(seed: int, rows: int = 300) -> np.ndarray:
    """Temperatures of a day and a night for each tenth of a degree, one place like the other."""
    weather = 10.0 + 6.0 * np.sin(np.arange(rows) / 60.0) + np.cumsum(np.random.default_rng(99).normal(0, 0.02, rows))
    return np.round(weather + np.random.default_rng(seed).normal(0, 0.08, rows), 1)


def table(where: Path, values: np.ndarray, interval: int = 10) -> Path:
    times = START + np.arange(len(values)) * np.timedelta64(interval, "m")
    lines = [
        f"{t},{v + 1:.1f},{v:.1f},{3 + n % 7 / 10:.1f}" for n, (t, v) in enumerate(zip(times, values, strict=True))
    ]
    where.write_text("\n".join(["time,top,t,ws", *lines]) + "\n")
    return where


def checked(
    where: Path, name: str, values: np.ndarray, beside: list[Path] | None = None, formats: tuple[str, ...] = ("csv",)
) -> Path:
    """A station checked and written; gives its flagged table."""
    (where / f"{name}.toml").write_text(station(name))
    result = run.check(parse(station(name).encode()), [table(where / f"{name}.csv", values)], neighbours=beside or [])
    run.write(result, where / name, formats=formats, replace=True)
    return where / name / f"{name}.ten.flagged.{formats[0]}"


@pytest.fixture
def own() -> Station:
    return parse(station("fell").encode())


# --- what counts


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_flagged_table_is_read_back(kind: str, tmp_path: Path, own: Station) -> None:
    values = day(1)
    values[100] = 99.9
    (one,) = neighbours.read([checked(tmp_path, "mill", values, formats=(kind,))], own)
    assert (one.id, one.table, one.interval_us, one.height_m) == ("mill", "ten", 10 * MINUTE, 0.0)
    assert set(one.values) == {"air_temperature", "wind_speed"}
    found = one.values["air_temperature"]  # of `t`, not of the maximum, which stands first
    assert np.isnan(found[100])  # out of range
    assert np.nanmax(np.abs(found - values)) == 0.0
    assert np.isnan(found).sum() <= 3
    assert str(one.middle[0]) == "2026-02-28T23:55:00.000000"


@pytest.mark.parametrize(("stamps", "middle"), [("end", "23:55"), ("start", "00:05"), ("instant", "00:00")])
def test_the_side_of_stamps_is_heeded(stamps: str, middle: str, tmp_path: Path, own: Station) -> None:
    result = run.check(parse(station("mill", stamps=stamps).encode()), [table(tmp_path / "x.csv", day(1))])
    run.write(result, tmp_path / "out")
    (one,) = neighbours.read([tmp_path / "out/mill.ten.flagged.csv"], own)
    assert str(one.middle[0])[11:16] == middle


def test_what_the_network_left_is_taken_out_of_the_merged_code() -> None:
    """For every set of own verdicts with and without the neighbour's doubt: trusted as without it (contract 2)."""
    import pyarrow as pa

    def left(check: str, witness: str, code: int) -> Failure:
        return Failure(check, witness, np.array([0]), np.array([code], np.uint8), np.zeros(1), np.zeros(1))

    here_, applied = np.ones(1, bool), np.array([1 << 8], np.uint64)
    sets = [[], *([left("step", OWN, c)] for c in (1, 2, 3))]
    sets += [[left("step", OWN, a), left("twin", "another device", b)] for a in (1, 2, 3) for b in (1, 2, 3)]
    for failures in sets:
        alone = int(merge(here_, applied, failures)[0])
        for doubted in (False, True):
            all_of = [*failures, *([left("neighbour", NEIGHBOUR, DOUBTFUL)] if doubted else [])]
            names = ";".join(f.check for f in all_of) or None
            flagged = pa.table(
                {"t": [1.5], "t_verdict": merge(here_, applied, all_of), "t_checks": pa.array([names], pa.string())}
            )
            trusted = not np.isnan(neighbours.trusted(flagged, "t")[0])
            assert trusted == (alone in (GOOD, INCONSISTENT)), (names, alone)
    assert FAMILIES["network"] == ("neighbour",)
    assert WRONG not in (GOOD, INCONSISTENT)


@pytest.mark.parametrize("size", [2.1, 4.0])
def test_no_two_stations_depend_on_each_other(size: float, tmp_path: Path, own: Station) -> None:
    """A doubted by its neighbours or not, alone or beside a doubt of its own: B comes out the same."""
    values = {name: day(n) for n, name in enumerate(("mill", "weir", "barn"))}
    values["mill"][150] += size  # 2.1 K: a likely value, the neighbours alone see it
    alone = {name: checked(tmp_path, name, v) for name, v in values.items()}
    before = neighbours.read(list(alone.values()), own)
    kept = {name: path.read_bytes() for name, path in alone.items()}
    again = checked(tmp_path, "mill", values["mill"], beside=[alone["weir"], alone["barn"]])
    assert again.read_bytes() != kept["mill"]
    assert (b",spike;neighbour," if size > 3 else b",2,neighbour,") in again.read_bytes()
    for a, b in zip(before, neighbours.read(list(alone.values()), own), strict=True):
        for quantity in a.values:
            assert a.values[quantity].tobytes() == b.values[quantity].tobytes()
    first = checked(tmp_path, "weir", values["weir"], beside=[again, alone["barn"]]).read_bytes()
    checked(tmp_path, "mill", values["mill"])
    second = checked(tmp_path, "weir", values["weir"], beside=[alone["mill"], alone["barn"]]).read_bytes()
    assert first == second


def test_distance_and_bearing() -> None:
    """A degree of latitude on a sphere of 6371 km is 111.19 km, of longitude at 60 degrees half of it (computed)."""
    assert neighbours.way((54.0, -3.0), (55.0, -3.0)) == (111.195, 0.0)
    assert neighbours.way((54.0, -3.0), (53.0, -3.0)) == (111.195, 180.0)
    assert neighbours.way((0.0, 0.0), (0.0, 1.0)) == (111.195, 90.0)
    distance, bearing = neighbours.way((60.0, 0.0), (60.0, -1.0))
    assert distance == pytest.approx(55.597, abs=0.01)
    assert bearing == pytest.approx(270.4, abs=0.1)
    assert neighbours.way((0.0, 179.9), (0.0, -179.9))[0] == pytest.approx(22.239, abs=0.001)


# --- laid onto a station's rows


def _neighbour(minutes: int, values: list[float], first: str = "2026-03-01T00:00") -> Neighbour:
    half = np.timedelta64(minutes * MINUTE // 2, "us")
    middle = np.datetime64(first, "us") + half + np.arange(len(values)) * np.timedelta64(minutes * MINUTE, "us")
    return Neighbour("mill", "ten", 5.0, 0.0, 0.0, minutes * MINUTE, middle, {"air_temperature": np.array(values)})


def _at(
    neighbour: Neighbour, minutes: int, rows: int, *, mean: bool = True, first: str = "2026-03-01T00:00"
) -> list[float] | None:
    half = np.timedelta64(minutes * MINUTE // 2, "us")
    middle = np.datetime64(first, "us") + half + np.arange(rows) * np.timedelta64(minutes * MINUTE, "us")
    found = neighbour.at(
        "air_temperature", middle, minutes * MINUTE, mean=mean, least_share=0.5, longest_us=60 * MINUTE
    )
    return None if found is None else [round(float(v), 4) for v in found]


NAN = float("nan")


@pytest.mark.parametrize(
    ("minutes", "values", "own_minutes", "rows", "expected"),
    [
        (10, [1.0, 2.0, 3.0], 10, 3, [1.0, 2.0, 3.0]),
        (10, [1.0, 2.0, 3.0], 30, 2, [2.0, NAN]),
        (10, [1.0, NAN, 4.0], 30, 1, [2.5]),  # two of three are more than half
        (15, [1.0, NAN], 30, 1, [1.0]),  # half is enough
        (10, [NAN, NAN, 4.0], 30, 1, [NAN]),
        (30, [1.0, 2.0], 10, 7, [1.0, 1.0, 1.0, 2.0, 2.0, 2.0, NAN]),
        (60, [1.0], 10, 6, [1.0] * 6),
        (120, [1.0], 10, 6, None),  # longer than allowed
        (120, [1.0], 120, 1, [1.0]),  # but the station's own
        (25, [1.0] * 9, 10, 6, None),
    ],
)
def test_intervals(
    minutes: int, values: list[float], own_minutes: int, rows: int, expected: list[float] | None
) -> None:
    found = _at(_neighbour(minutes, values), own_minutes, rows)
    assert (found is None) == (expected is None)
    np.testing.assert_array_equal(np.array(found or []), np.array(expected or []))


def test_samples_take_the_nearest_and_no_mean() -> None:
    assert _at(_neighbour(10, [1.0, 2.0, 3.0]), 30, 2, mean=False)[0] == 2.0  # type: ignore[index]
    none = neighbours.Neighbour(
        "a", "t", 1.0, 0.0, 0.0, MINUTE, np.zeros(0, "datetime64[us]"), {"air_temperature": np.zeros(0)}
    )
    np.testing.assert_array_equal(_at(none, 1, 2) or [], [NAN, NAN])


def test_half_an_interval_off_still_counts_and_more_does_not() -> None:
    one = _neighbour(10, [1.0])
    assert _at(one, 10, 1, first="2026-03-01T00:05") == [1.0]
    np.testing.assert_array_equal(_at(one, 10, 1, first="2026-03-01T00:06") or [], [NAN])


def test_a_quantity_that_it_does_not_have() -> None:
    one = _neighbour(10, [1.0])
    assert one.at("dew_point", one.middle, 10 * MINUTE, mean=True, least_share=0.5, longest_us=60 * MINUTE) is None


# --- refused


def _edit(pattern: str, new: str) -> Callable[[Path], Path]:
    def change(path: Path) -> Path:
        text = path.read_text()
        assert re.search(pattern, text)
        path.write_text(re.sub(pattern, new, text, count=1))
        return path

    return change


def _summary(change: Callable[[dict[str, object]], object]) -> Callable[[Path], Path]:
    def changed(path: Path) -> Path:
        beside = path.with_name("mill.summary.json")
        told = json.loads(beside.read_text())
        change(told)
        beside.write_text(json.dumps(told))
        return path

    return changed


def _rewritten(text: Callable[[str], str]) -> Callable[[Path], Path]:
    """The table changed, and the sum in the summary made to fit."""

    def changed(path: Path) -> Path:
        path.write_text(text(path.read_text()))
        told = json.loads((beside := path.with_name("mill.summary.json")).read_text())
        told["outputs"][path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        beside.write_text(json.dumps(told))
        return path

    return changed


def _moved(path: Path) -> Path:
    return Path(shutil.copy(path, path.with_name("fell.ten.flagged.csv")))


def _without(path: Path) -> Path:
    path.with_name("mill.summary.json").unlink()
    return path


def _channel(key: str, value: object) -> Callable[[Path], Path]:
    return _summary(lambda s: s["tables"]["ten"]["channels"]["t"].update({key: value}))  # type: ignore[index]


REFUSED: dict[str, tuple[Callable[[Path], Path], str]] = {
    "episodes": (lambda p: p.with_name("mill.ten.episodes.csv"), "is not named like a flagged table"),
    "summary": (lambda p: p.with_name("mill.summary.json"), "is not named like a flagged table"),
    "folder": (lambda p: p.parent, "is a folder"),
    "absent": (lambda p: p.with_name("mill.x.flagged.csv"), "does not exist"),
    "itself": (_moved, "the station that is checked"),
    "no summary": (_without, "cannot be read"),
    "a value changed": (_edit(r"\n2026-03-01T00:10:00Z,[^,]*,", "\n2026-03-01T00:10:00Z,77,"), "it was changed since"),
    "summary of another": (_summary(lambda s: s.update(station="weir")), "is of another station, weir"),
    "summary a list": (lambda p: (p.with_name("mill.summary.json").write_text("[]"), p)[1], "is no summary"),
    "summary no JSON": (lambda p: (p.with_name("mill.summary.json").write_text("{"), p)[1], "is no JSON"),
    "no stamps": (_summary(lambda s: s["tables"]["ten"].pop("stamps")), "does not tell of this table"),  # type: ignore[index]
    "no latitude": (_summary(lambda s: s.update(latitude=None)), "does not tell of this table"),
    "latitude": (_summary(lambda s: s.update(latitude=95)), "does not tell of this table"),
    "interval": (_summary(lambda s: s["tables"]["ten"]["period"].update(interval_s=-1)), "does not tell of this table"),  # type: ignore[index]
    "unit": (_channel("unit", "degF"), "t is in degF"),
    "a list for a quantity": (_channel("quantity", []), "does not tell of this table"),
    "no column": (_rewritten(lambda t: t.replace(",t_verdict,", ",t_word,", 1)), "is no flagged table"),
    "a verdict 9": (
        _rewritten(lambda t: re.sub(r"\n([^,]*,)(?:[^,]*,){4}([^,]*),\d", r"\n\g<1>1,0,,,\2,9", t, count=1)),
        "is no flagged table",
    ),
    "words": (_rewritten(lambda t: "time,t\nmonday,x\n"), "is no flagged table"),
    "times fall": (_rewritten(lambda t: t + t.split("\n")[1] + "\n"), "is no flagged table"),
    "empty": (_rewritten(lambda t: ""), "is no flagged table"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_is_no_neighbour_is_refused_in_one_line(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, told = REFUSED[name]
    path = spoil(checked(tmp_path, "mill", day(1)))
    checked(tmp_path, "fell", day(2))
    before = held(tmp_path)
    ran = here(
        capsys, "check", tmp_path / "fell.toml", tmp_path / "fell.csv", "--out", tmp_path / "new", "--neighbour", path
    )
    assert ran.status == 2
    assert told in ran.line
    assert ran.out == ""
    assert held(tmp_path) == before


def test_given_twice(tmp_path: Path, own: Station) -> None:
    path = checked(tmp_path, "mill", day(1))
    with pytest.raises(UsageError, match="table ten of mill is given twice"):
        neighbours.read([path, path], own)


def test_no_parquet(tmp_path: Path, own: Station) -> None:
    path = checked(tmp_path, "mill", day(1), formats=("parquet",))
    path.write_bytes(b"PAR1")
    with pytest.raises(UsageError, match="is no flagged table"):
        neighbours.read([path], own)


# --- the whole way


def test_check_with_neighbours_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = day(3)
    values[150] += 2.1
    beside = [checked(tmp_path, name, day(n)) for n, name in enumerate(("mill", "weir"))]
    checked(tmp_path, "fell", values)
    words = ["check", tmp_path / "fell.toml", tmp_path / "fell.csv", "--out", tmp_path / "new", "--json"]
    alone = json.loads(here(capsys, *words).out)
    assert {"check": "neighbour", "channels": ["top", "t"], "why": "no neighbour given"} in alone["not_applied"]
    assert alone["neighbours"] == []
    ran = here(capsys, *words, *(w for path in beside for w in ("--neighbour", path)))
    assert ran.status == 0, ran.err
    told = json.loads(ran.out)
    assert told["tables"]["ten"]["channels"]["t"]["checks"]["neighbour"] == 1
    assert [n["station"] for n in told["neighbours"]] == ["mill", "weir"]
    assert told["neighbours"][0]["sha256"] == hashlib.sha256(beside[0].read_bytes()).hexdigest()
    assert "neighbour" not in [e["check"] for e in told["not_applied"] if "t" in e["channels"]]
    episodes = (tmp_path / "new/fell.ten.episodes.csv").read_text()
    assert "above what the neighbours lead one to expect" in episodes
    frame = run.check(parse(station("fell").encode()), [tmp_path / "fell.csv"], neighbours=beside).flagged["ten"]
    assert frame["t_checks"].iloc[150] == "neighbour"
    assert frame["t_verdict"].iloc[150] == DOUBTFUL
