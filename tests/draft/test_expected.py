"""Drafts of the seven open stations against the station files made by hand for them."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc import units
from qc.draft import Draft, draft
from qc.read.numbers import number
from qc.read.tables import read_tables
from qc.station import Channel, Station, load
from tests.shared import shared

STATIONS = ("campus", "coast", "estuary", "forest", "hills", "plateau", "roof")


def expected(name: str) -> Station:
    return load(shared(f"expected/{name}.toml"))


def paths(name: str) -> list[Path]:
    return sorted(shared().glob(f"{name}_*.csv"))


@cache
def drafted(name: str) -> Draft:
    site = expected(name).station
    return draft(paths(name), site.latitude, site.longitude, site.elevation)


def pairs(name: str) -> list[tuple[Channel, Channel]]:
    """Channels named by hand, each with the drafted one of the same column."""
    made = {ch.column: ch for ch in drafted(name).station.channel}
    return [(hand, made[hand.column]) for hand in expected(name).channel]  # type: ignore[index]


def comments_of(name: str, channel: str) -> str:
    """Comments of one drafted channel."""
    return drafted(name).text.split(f'\nname = "{channel}"')[0].rsplit("[[channel]]", 1)[1]


@pytest.fixture(params=STATIONS)
def station(request: pytest.FixtureRequest) -> str:
    shared(f"expected/{request.param}.toml")
    return str(request.param)


def test_quantities(station: str) -> None:
    assert [(h.column, h.quantity) for h, _ in pairs(station)] == [(h.column, d.quantity) for h, d in pairs(station)]


def test_columns_not_named_by_hand_are_other(station: str) -> None:
    named = {h.column for h in expected(station).channel}
    assert {
        d.column: d.quantity
        for d in drafted(station).station.channel
        if d.column not in named and d.quantity != "other"
    } == {}


def test_units_convert_alike(station: str) -> None:
    interval = expected(station).table[0].interval_s
    for hand, made in pairs(station):
        a, b = (units.conversion(hand.quantity, x.unit, interval) for x in (hand, made))
        assert (a.numerator / a.divisor, a.shift, a.amount) == (b.numerator / b.divisor, b.shift, b.amount), hand.column


def test_statistics_or_a_comment(station: str) -> None:
    text = drafted(station).text
    guessed = next((line for line in text.splitlines() if "mean is a guess" in line), "")
    for hand, made in pairs(station):
        assert hand.statistic == made.statistic or f" {made.name}," in guessed + ",", hand.column


def test_table_and_clock(station: str) -> None:
    hand, made = expected(station), drafted(station).station
    a, b = hand.table[0], made.table[0]
    assert (a.kind, a.interval_s, a.stamps, a.line_counter) == (b.kind, b.interval_s, b.stamps, b.line_counter)
    assert len(made.table) == 1
    assert [(c.from_, c.utc_offset, c.time_zone) for c in hand.clock] == [
        (c.from_, c.utc_offset, c.time_zone) for c in made.clock
    ]


def test_layout(station: str) -> None:
    (hand,), (made,) = expected(station).table[0].layout, drafted(station).station.table[0].layout
    assert (hand.decimal, hand.time) == (made.decimal, made.time)


def test_markers(station: str) -> None:
    hand, made = expected(station).table[0].layout[0], drafted(station).station.table[0].layout[0]

    def values(markers: list[str]) -> set[object]:
        return {number(m, hand.decimal) if number(m, hand.decimal) is not None else m.casefold() for m in markers}

    assert values(hand.missing) == values(made.missing)
    assert [ch.missing for _, ch in pairs(station)] == [[] for _ in pairs(station)]


def test_resolutions_within_a_factor_of_two_or_a_comment(station: str) -> None:
    for hand, made in pairs(station):
        if hand.resolution is None:
            continue
        if isinstance(hand.resolution, list):
            assert made.resolution == hand.resolution, hand.column
            continue
        finest = made.resolution[0][1] if isinstance(made.resolution, list) else made.resolution
        assert finest is not None and hand.resolution / 2 <= finest <= hand.resolution * 2, (
            hand.column,
            made.resolution,
        )


def test_no_resolution_says_why(station: str) -> None:
    for made in drafted(station).station.channel:
        if made.resolution is None and made.quantity != "other":
            assert "# no resolution: " in comments_of(station, made.name)


def test_devices(station: str) -> None:
    assert [h.device for h, _ in pairs(station)] == [d.device for _, d in pairs(station)]


def test_files_are_read_and_every_line_accounted_for(station: str) -> None:
    record, refused = read_tables(drafted(station).station, paths(station))
    assert refused == []
    assert len(record.files) == len(paths(station))
    for f in record.files:
        assert f.lines == f.header + f.blank + f.kept + f.repeated + f.rejected
        assert f.rejected == 0 and f.kept > 8000
    assert record.absent == ()


def test_same_text_again_and_in_any_order(station: str) -> None:
    site = expected(station).station
    again = draft(list(reversed(paths(station))), site.latitude, site.longitude, site.elevation)
    assert again.text == drafted(station).text


def test_what_stays_open_is_said() -> None:
    roof, campus, estuary = (drafted(n) for n in ("roof", "campus", "estuary"))
    assert any("which of them cannot be told" in q for q in roof.questions)
    assert any("which of them cannot be told" in q for q in campus.questions)
    assert not any("which of them cannot be told" in q for q in estuary.questions)
    assert sum("no known unit given" in q for q in campus.questions) == 10
    assert any("-99 stands 2 times, in RH, WSpd" in q for q in estuary.questions)


def test_learnt(station: str) -> None:
    made: dict[str, Any] = tomllib.loads(drafted(station).text)["learnt"]
    assert [f["name"] for f in made["files"]] == [p.name for p in paths(station)]
    assert all(len(f["sha256"]) == 64 for f in made["files"])
    record, _ = read_tables(drafted(station).station, paths(station))
    rows = sum(f.kept + f.repeated for f in record.files)
    assert sum(f["rows"] for f in made["files"]) == rows
    for name, found in made["channel"].items():
        values = next(t.channels[name].values for t in record.tables.values() if name in t.channels)
        good = values[np.isfinite(values)]
        assert found["values"] == len(good), name
        p50 = float(np.quantile(good, 0.5, method="inverted_cdf"))
        assert found["percentiles"]["p50"] == pytest.approx(p50, rel=1e-4, abs=1e-9), name
