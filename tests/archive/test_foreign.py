"""Another station's file in the inbox: seen by its pressure or its line counter where all of it fits, and left alone in
any doubt."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from qc.archive import ledger
from qc.archive.foreign import (
    CLOSE_US,
    FAR_HPA,
    LIKE_HPA,
    MOST,
    SHARED_ROWS,
    SLIP,
    Clue,
    Count,
    Counted,
    at_odds,
    goes_on,
    suspected,
)
from tests.archive.fleets import HEAD, Place, checked, difference, made, rows

OWN, LOW = Clue("top", 600.0, 0, 940.0), Clue("low", 120.0, 0, 1000.0)

CASES = [
    ("that of the other", 0, 1000.0, OWN, [LOW], "low"),
    ("its own", 0, 941.0, OWN, [LOW], ""),
    ("like enough", 0, 1000.0 + LIKE_HPA, OWN, [LOW], "low"),
    ("not like enough", 0, 1000.1 + LIKE_HPA, OWN, [LOW], ""),
    ("far on the bound", 0, 940.0 + FAR_HPA, OWN, [Clue("low", 300.0, 0, 955.0)], ""),
    ("close in time", CLOSE_US, 1000.0, OWN, [LOW], "low"),
    ("too late", CLOSE_US + 1, 1000.0, OWN, [LOW], ""),
    ("the other is of long ago", 0, 1000.0, OWN, [Clue("low", 120.0, -CLOSE_US - 1, 1000.0)], ""),
    ("a barometer mended", 0, 1000.0, Clue("own", 120.0, 0, 840.0), [Clue("low", 120.0, 0, 1000.0)], ""),
    ("of like height", 0, 1000.0, Clue("own", 200.0, 0, 970.0), [LOW], ""),
    ("the likest of two", 0, 1000.0, OWN, [Clue("a", 130.0, 0, 998.0), LOW], "low"),
    ("nobody else", 0, 1000.0, OWN, [OWN], ""),
]


@pytest.mark.parametrize(("name", "us", "hpa", "own", "others", "found"), CASES, ids=[c[0] for c in CASES])
def test_cases(name: str, us: int, hpa: float, own: Clue, others: list[Clue], found: str) -> None:
    assert suspected(us, hpa, own, others) == found


def high(lines: list[str]) -> list[str]:
    """The same lines with the pressure of a place 480 m higher."""
    out = []
    for line in lines:
        cells = line.split(",")
        cells[3] = cells[3] if cells[3] == "NAN" else f"{float(cells[3]) - 58:.1f}"
        out.append(",".join(cells))
    return out


def two(folder: Path, more: str = "") -> Place:
    """A station on a fell and one in the valley, each with its first days."""
    place = made(folder, ("fell", "valley"))
    fell = place.station_file("fell")
    fell.write_text(fell.read_text().replace("elevation = 120.0", "elevation = 600.0"))
    if more:
        fleet = folder / "fleet.toml"
        fleet.write_text(fleet.read_text().replace('inbox = "inbox/fell/*.csv"', f'inbox = "inbox/fell/*.csv"\n{more}'))
    place.arrive("1.csv", high(rows(300)), "fell")
    place.arrive("1.csv", rows(300), "valley")
    assert not place.night("2026-04-30").troubled
    return place


def test_a_file_in_the_wrong_inbox_is_told_and_is_no_data(tmp_path: Path) -> None:
    place = two(tmp_path)
    before = place.archive("fell")
    wrong = place.arrive("2.csv", rows(400)[300:], "fell")
    done = place.night("2026-05-01")
    assert done.troubled
    assert "trouble fell: 2.csv: looks like a file of valley: " in done.lines[1]
    assert place.archive("fell").equals(before)
    assert place.ask("select standing, other from file where path = ?", str(wrong)) == [(ledger.FOREIGN, "valley")]
    assert not place.night("2026-05-02").troubled  # told once
    right = place.arrive("3.csv", high(rows(400))[300:], "fell")
    assert not place.night("2026-05-03").troubled
    first = place.inbox("fell") / "1.csv"
    assert difference(place.archive("fell"), checked(place, [first, right], "fell")) == ""


def test_a_changed_station_file_has_it_looked_at_again(tmp_path: Path) -> None:
    """One that still says the fell leaves it out; one that says another height takes it."""
    place = two(tmp_path)
    place.arrive("2.csv", rows(400)[300:], "fell")
    place.night("2026-05-01")
    fell = place.station_file("fell")
    fell.write_text(fell.read_text().replace("resolution = 0.01", "resolution = 0.02"))
    place.night("2026-05-02")
    assert place.ask("select count(*) from file where standing = 'foreign'") == [(1,)]
    fell.write_text(fell.read_text().replace("elevation = 600.0", "elevation = 150.0"))
    place.night("2026-05-03")
    assert place.ask("select count(*) from file where standing = 'foreign'") == [(0,)]
    both = [place.inbox("fell") / f"{n}.csv" for n in (1, 2)]
    assert difference(place.archive("fell"), checked(place, both, "fell")) == ""


def test_an_inbox_that_only_its_own_files_can_reach(tmp_path: Path) -> None:
    place = two(tmp_path, "own_inbox = true")
    taken = place.arrive("2.csv", rows(400)[300:], "fell")
    assert not place.night("2026-05-01").troubled
    both = [place.inbox("fell") / "1.csv", taken]
    assert difference(place.archive("fell"), checked(place, both, "fell")) == ""


def test_own_inbox_said_later_takes_what_was_left_out(tmp_path: Path) -> None:
    place = two(tmp_path)
    place.arrive("2.csv", rows(400)[300:], "fell")
    place.night("2026-05-01")
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(
        fleet.read_text().replace('inbox = "inbox/fell/*.csv"', 'inbox = "inbox/fell/*.csv"\nown_inbox=true')
    )
    place.night("2026-05-02")
    both = [place.inbox("fell") / f"{n}.csv" for n in (1, 2)]
    assert difference(place.archive("fell"), checked(place, both, "fell")) == ""


# ---- by the line counter

STEP = 1_800_000_000
MANY = 10 * SHARED_ROWS


def counted(first: int, number: float, count: int, value: float) -> Counted:
    """Rows from one on, of two channels."""
    n = np.arange(count)
    values = np.stack([value + 0.1 * n, np.full(count, np.nan)], axis=1)
    return Counted((first + n) * STEP, number + n, values)


OWN_ROWS = counted(0, 500.0, MANY, 8.0)
AT = (MANY - 1) * STEP
ODD = [
    ("another logger", counted(0, 9000.0, MANY, 3.0), (AT, 9000.0 + MANY - 1)),
    ("enough rows in common", counted(MANY - SHARED_ROWS, 9000.0, MANY, 3.0), (AT, 9000.0 + SHARED_ROWS - 1)),
    ("too few", counted(MANY - SHARED_ROWS + 1, 9000.0, MANY, 3.0), None),
    ("the rows that follow", counted(MANY, 9000.0, MANY, 3.0), None),
    ("numbered anew", counted(0, 1.0, MANY, 8.0), None),
    ("mended values", counted(0, 500.0, MANY, 3.0), None),
    ("its own rows", OWN_ROWS, None),
    ("no values", Counted(OWN_ROWS.us, OWN_ROWS.number + 9, np.full((MANY, 2), np.nan)), None),
]


@pytest.mark.parametrize(("name", "here", "found"), ODD, ids=[c[0] for c in ODD])
def test_rows_at_odds(name: str, here: Counted, found: tuple[int, float] | None) -> None:
    assert at_odds(OWN_ROWS, here) == found


@pytest.mark.parametrize(("alike", "told"), [(MANY - round(MOST * MANY), True), (MANY - round(MOST * MANY) + 1, False)])
@pytest.mark.parametrize("what", ["number", "values"])
def test_nearly_all_rows_differ(what: str, alike: int, told: bool) -> None:
    here = counted(0, 9000.0, MANY, 3.0)
    getattr(here, what)[:alike] = getattr(OWN_ROWS, what)[:alike]
    assert (at_odds(OWN_ROWS, here) is not None) == told


@pytest.mark.parametrize(("channels", "unlike", "told"), [(4, 1, False), (4, 2, True), (1, 1, True), (1, 0, False)])
def test_two_channels_must_differ(channels: int, unlike: int, told: bool) -> None:
    """Rain and a battery's voltage are the same at many stations."""
    values = np.stack([OWN_ROWS.values[:, 0]] * channels, axis=1)
    other = values.copy()
    other[:, :unlike] += 1.0
    own, here = (Counted(OWN_ROWS.us, OWN_ROWS.number + n, v) for n, v in ((0, values), (9, other)))
    assert (at_odds(own, here) is not None) == told


MILL = Count("mill", "half", 90 * STEP, 690.0, STEP)
FIT = [
    ("that of the other", 100, 700.0, [MILL], "mill"),
    ("before its last row", 80, 680.0, [MILL], "mill"),
    ("rows were lost", 100, 700.0 - SLIP, [MILL], "mill"),
    ("more were lost", 100, 699.0 - SLIP, [MILL], ""),
    ("another interval", 100, 720.0, [Count("mill", "half", 90 * STEP, 690.0, STEP // 3)], ""),
    ("its own too", 100, 700.0, [MILL, Count("own", "half", 0, 600.0, STEP)], ""),
    ("the nearest", 100, 699.0, [MILL, Count("loft", "b", 0, 599.0, STEP)], "loft"),
    ("nobody", 100, 700.0, [], ""),
]


@pytest.mark.parametrize(("name", "row", "number", "counts", "found"), FIT, ids=[c[0] for c in FIT])
def test_whose_count_it_goes_on_with(name: str, row: int, number: float, counts: list[Count], found: str) -> None:
    assert goes_on(row * STEP, number, STEP, "own", counts) == found


class Numbered:
    """Two stations of one height whose tables have a line counter."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.place = made(folder, ("mill", "quarry"))
        for name in ("mill", "quarry"):
            about = self.place.station_file(name)
            about.write_text(about.read_text().replace('stamps = "end"\n', 'stamps = "end"\nline_counter = "No"\n'))
        if more:
            fleet = folder / "fleet.toml"
            text = fleet.read_text()
            fleet.write_text(text.replace('inbox = "inbox/mill/*.csv"', f'inbox = "inbox/mill/*.csv"\n{more}'))

    def arrive(self, name: str, lines: list[str], number: int, station: str = "mill") -> Path:
        """Lines with numbers from one on."""
        path = self.place.inbox(station) / name
        told = [f"{line},{number + n}" for n, line in enumerate(lines)]
        path.write_text("\n".join([f"{HEAD},No", *told]) + "\n", "utf-8")
        return path

    def begun(self) -> Path:
        """The first days of both; they never lost a row."""
        self.arrive("1.csv", whole(2)[:300], 7000, "quarry")
        first = self.arrive("1.csv", whole(1)[:300], 100)
        assert not self.place.night("2026-04-29").troubled
        return first


def whole(seed: int) -> list[str]:
    """Lines of which none is missing."""
    out = []
    for n in range(500):
        stamp = str(np.datetime64("2026-03-20T00:30", "m") + 30 * n).replace("T", " ")
        t = 8.0 + seed + 5 * np.sin(2 * np.pi * (n - 18) / 48) + 0.1 * (n * (seed + 3) % 7)
        out.append(f"{stamp},{t:.1f},{70 - 2 * t:.0f},{1000 + 0.1 * (n * seed % 9):.1f},0.0,12.60")
    return out


def test_a_file_whose_count_is_that_of_another_station(tmp_path: Path) -> None:
    numbered = Numbered(tmp_path)
    first = numbered.begun()
    wrong = numbered.arrive("2.csv", whole(2)[250:400], 7250)
    done = numbered.place.night("2026-05-01")
    assert done.lines[1].startswith("trouble mill: 2.csv: looks like a file of quarry: row 7299 of half goes on with")
    assert numbered.place.ask("select standing, other from file where path = ?", str(wrong)) == [("foreign", "quarry")]
    right = numbered.arrive("3.csv", whole(1)[250:400], 350)
    assert not numbered.place.night("2026-05-02").troubled
    assert difference(numbered.place.archive("mill"), checked(numbered.place, [first, right], "mill")) == ""


KEPT = [
    ("the clock was set back", 1, (250, 400), 400),
    ("a new logger, or a restart", 2, (250, 400), 0),
    ("of another station, without rows in common", 2, (300, 450), 7300),
    ("numbered anew", 1, (250, 400), 7250),
]


@pytest.mark.parametrize(("name", "seed", "part", "number"), KEPT, ids=[c[0] for c in KEPT])
def test_what_may_be_its_own_is_taken(
    tmp_path: Path, name: str, seed: int, part: tuple[int, int], number: int
) -> None:  # fmt: skip
    numbered = Numbered(tmp_path)
    first = numbered.begun()
    lines = whole(seed)[slice(*part)]
    if name == "the clock was set back":
        lines = [f"{a.split(',')[0]},{b.split(',', 1)[1]}" for a, b in zip(lines, whole(3)[250:400], strict=True)]
    second = numbered.arrive("2.csv", lines, number)
    assert not numbered.place.night("2026-05-01").troubled
    assert difference(numbered.place.archive("mill"), checked(numbered.place, [first, second], "mill")) == ""


def test_the_first_of_two_stations_files_decides_nothing(tmp_path: Path) -> None:
    """The wrong file came first: then the right one is at odds with it, but goes on with nobody's count."""
    numbered = Numbered(tmp_path)
    numbered.arrive("1.csv", whole(2)[:300], 7000, "quarry")
    wrong = numbered.arrive("1.csv", whole(2)[:300], 7000)
    assert not numbered.place.night("2026-04-29").troubled
    right = numbered.arrive("2.csv", whole(1)[:300], 100)
    assert not numbered.place.night("2026-05-01").troubled
    assert difference(numbered.place.archive("mill"), checked(numbered.place, [wrong, right], "mill")) == ""


def test_a_changed_station_file_looks_at_the_count_again(tmp_path: Path) -> None:
    numbered = Numbered(tmp_path)
    first = numbered.begun()
    wrong = numbered.arrive("2.csv", whole(2)[250:400], 7250)
    numbered.place.night("2026-05-01")
    about = numbered.place.station_file("mill")
    about.write_text(about.read_text().replace("resolution = 0.01", "resolution = 0.02"))
    numbered.place.night("2026-05-02")
    assert numbered.place.ask("select count(*) from file where standing = 'foreign'") == [(1,)]
    about.write_text(about.read_text().replace('line_counter = "No"\n', ""))
    numbered.place.night("2026-05-03")
    assert numbered.place.ask("select count(*) from file where standing = 'foreign'") == [(0,)]
    assert difference(numbered.place.archive("mill"), checked(numbered.place, [first, wrong], "mill")) == ""


def test_the_count_of_an_inbox_of_its_own_is_not_looked_at(tmp_path: Path) -> None:
    numbered = Numbered(tmp_path, "own_inbox = true")
    first = numbered.begun()
    second = numbered.arrive("2.csv", whole(2)[250:400], 7250)
    assert not numbered.place.night("2026-05-01").troubled
    assert difference(numbered.place.archive("mill"), checked(numbered.place, [first, second], "mill")) == ""


def test_the_count_stands_at_the_last_row_however_files_arrive(tmp_path: Path) -> None:
    numbered = Numbered(tmp_path)
    numbered.arrive("1.csv", whole(1)[100:300], 200)
    for name, lines, number, stands in (("2.csv", (0, 90), 100, 399), ("3.csv", (300, 310), 400, 409)):
        numbered.place.night("2026-04-29")
        numbered.arrive(name, whole(1)[slice(*lines)], number)
        numbered.place.night("2026-04-30")
        ((told,),) = numbered.place.ask("select value from meta where key = 'count:mill:half'")
        assert json.loads(told)[3] == stands
