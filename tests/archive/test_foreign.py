"""Another station's file in the inbox: seen by its pressure where all of it fits, and left alone in any doubt."""

from __future__ import annotations

from pathlib import Path

import pytest

from qc.archive import ledger
from qc.archive.foreign import CLOSE_US, FAR_HPA, LIKE_HPA, Clue, suspected
from tests.archive.fleets import Place, checked, difference, made, rows

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
