"""The page of a delivery: its sections, hostile texts, personal names, the same bytes everywhere."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from qc import run
from qc.delivery import completeness, pictures
from qc.delivery.codes import IOC
from qc.delivery.report import LIFE, report
from qc.run import Result
from qc.station import load
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES, rows_of, station_text, written
from tests.delivery.runs import result as small
from tests.shared import shared
from tests.write.test_page import HOSTILE, Parsed

NAMES = ("t", "ws", "gust", "wd", "rain", "word")


def _page(result: Result, **more: object) -> str:
    made = pictures.pictures(result, completeness.shares(result))
    whole, gaps = completeness.whole(result), completeness.gaps(result)
    return report(result, made, shares=whole, gaps=gaps, **more)  # type: ignore[arg-type]


@cache
def sample_page() -> str:
    return _page(run.check(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES))


def test_the_page_answers_the_questions_in_their_order() -> None:
    found = Parsed(sample_page())
    ids = [a["id"] for tag, a in found.elements if tag == "section"]
    assert ids == [
        "where", "complete", "usable", "flags", "episodes", "months", "weather", "changed", "method", "limits",
        "sensors", "sources",
    ]  # fmt: skip
    links = [a["href"] for tag, a in found.elements if tag == "a"]
    assert links == [f"#{one}" for one in ids]
    levels = [tag for tag, _ in found.elements if tag in ("h1", "h2", "h3")]
    assert levels == ["h1"] + ["h2"] * len(ids)
    images = [a for tag, a in found.elements if tag == "img"]
    assert len(images) == 11
    assert all(a["alt"] and (a["src"] or "").startswith("data:image/png;base64,") for a in images)


@pytest.mark.parametrize(
    "told",
    [
        "Otter Fell (otter-fell)",
        "54.61° N, 2.95° W, 310 m above mean sea level",
        "ten: 2026-03-01 00:10 to 2026-06-01 00:00 UTC, every 10 min, stamped at the end of the interval",
        LIFE,
        "Licencenot stated",
        "multiplied by 0.526316",
        "pyranometer moved from a post of its own",
        "No neighbouring station was at hand.",
        "all channels2026-03-09 01:102026-03-09 06:005 h30",
        "0 33 020",
        "resistance thermometer in a naturally ventilated shield",
        "Zahumensky",
        "No raw value was altered.",
        "Leave mains, height and lightning-protection work to licensed people.",
    ],
)
def test_the_page_tells(told: str) -> None:
    assert told in Parsed(sample_page()).text


def test_counts_are_those_of_the_verdicts() -> None:
    result = run.check(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES)
    document = result.summary()["tables"]["ten"]["channels"]
    text = Parsed(sample_page()).text
    for name, channel in document.items():
        counts = [channel["verdicts"][w] for w in ("good", "inconsistent", "doubtful", "wrong")]
        told = "".join(f"{n:,}" if n > 9999 else str(n) if n else "–" for n in counts)
        assert f"{name}{told}" in text, name


def test_flags_of_another_scheme_are_told() -> None:
    result = run.check(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES)
    page = report(result, [], shares=completeness.whole(result), gaps=[], scheme=IOC)
    assert "3 questionable" in page and "NAME_verdict_wmo" in page
    assert "3 questionable" not in sample_page()


EVENTS = """
[station]
id = "tips"
latitude = 54.0
longitude = -3.0
elevation = 10.0
[[clock]]
time_zone = "Europe/London"
minutes_ahead = 2.0
[[clock]]
from = 2026-03-20T00:00:00Z
utc_offset = "+00:00"
[[table]]
id = "tips"
kind = "event"
[[table.layout]]
names = ["time", "rain"]
decimal = "."
missing = [""]
time = { columns = ["time"], format = "%Y-%m-%d %H:%M:%S" }
[[channel]]
name = "rain"
quantity = "precipitation"
column = "rain"
unit = "mm"
[[horizon]]
azimuth = 90.0
elevation = 40.0
"""


def test_a_table_of_events_has_a_page_too(tmp_path: Path) -> None:
    lines = [f"2026-03-{5 + k // 20:02d} {k % 20:02d}:{k * 7 % 60:02d}:13,0.2" for k in range(400)]
    (tmp_path / "tips.toml").write_text(EVENTS)
    (tmp_path / "tips.csv").write_text("\n".join(["time,rain", *lines]) + "\n")
    text = Parsed(_page(run.check(load(tmp_path / "tips.toml"), [tmp_path / "tips.csv"]))).text
    assert "1 channel: precipitation." in text
    assert "Europe/London, with its summer time, +2 min ahead; from 2026-03-20T00:00:00+00:00 UTC+00:00" in text
    assert "by event, 400 rows" in text
    assert "No picture for want of usable values: wind speed and direction, global irradiance, air temperature." in text


def test_a_healthy_station_is_told_in_few_words() -> None:
    given = small({"t": np.sin(np.arange(300) / 20)}, first="2026-03-05T00:10")
    text = Parsed(_page(given)).text
    assert "Of what was expected, 100.0 % may be used, in every channel." in text
    assert "no sketch" in text and "The visit log has no line for this period." in text


# ---- hostile texts


def _hostile(where: Path, text: str) -> Result:
    quoted = json.dumps(text[:3900])  # a station file takes texts of 4000 letters; JSON's escapes are TOML's
    station = station_text(
        NAMES, logs='visits = "visits.csv"\ncorrections = "corrections.csv"\ndecisions = "decisions.csv"'
    )
    station = station.replace('name = "Moor"', f"name = {quoted}")
    if len(text) <= 60 and text.isprintable():  # a station file takes no others for a unit
        station = station.replace('unit = "1"', f"unit = {quoted}")
    for device in ("probe", "gauge"):
        station = station.replace(f'device = "{device}"', f"device = {quoted}\nsensor = {quoted}\nrail = {quoted}")
    station += "[[channel.deployment]]\nfrom = 2026-01-01T00:00:00Z\n"
    station += f"serial = {quoted}\ncertificate = {quoted}\n"
    cell = '"' + text.replace('"', '""').replace("\n", " ").replace("\r", " ").replace("\0", "") + '"'
    of = written(
        where,
        NAMES,
        rows_of(NAMES),
        text=station,
        visits=f"from,to,channels,effect,note\n2026-06-01T06:00,2026-06-01T06:30,all,disturbed,{cell}\n",
        decisions="from,to,channel,verdict,reason,by,decided\n"
        f"2026-06-01T08:00,2026-06-01T08:30,t,wrong,{cell},{cell},2026-07-02\n",
        corrections="from,to,channel,operation,parameter,reason,by,decided\n"
        f"2026-06-01T09:00,2026-06-01T09:30,ws,offset,0.5,{cell},{cell},2026-07-02\n",
    )
    return run.check(of, [where / "moor.csv"])


@pytest.mark.parametrize("number", range(len(HOSTILE)))
def test_hostile_texts_are_texts(number: int, tmp_path: Path) -> None:
    text = HOSTILE[number]
    if "\0" in text:
        text = text.replace("\0", "")  # TOML and the logs refuse it
    more = {"licence": text, "contact": text, "owner": text}
    mine = Parsed(_page(_hostile(tmp_path / "a", text), **more))
    plain = Parsed(_page(_hostile(tmp_path / "b", "plain"), **dict.fromkeys(more, "plain")))
    assert not mine.open
    assert [(tag, sorted(a)) for tag, a in mine.elements] == [(tag, sorted(a)) for tag, a in plain.elements]
    kept = ("id", "class", "href", "scope")
    assert [[a.get(k) for k in kept] for _, a in mine.elements] == [[a.get(k) for k in kept] for _, a in plain.elements]
    assert all(c.isprintable() or c == "\n" for c in mine.text)
    assert "x" * 4001 not in mine.text
    if number < 3:
        assert text in mine.text


def test_only_initials_are_told_where_that_is_asked(tmp_path: Path) -> None:
    of = _hostile(tmp_path, "Maria Lopez")
    assert "Maria Lopez" in Parsed(_page(of)).text
    told = Parsed(report(of, [], shares=completeness.whole(of), gaps=[], only_initials=True))
    changed = told.text.split("What was changed, by whom and why")[-1].split("How it was done")[0]
    episodes = told.text.split("worst first.")[-1].split("The values, month by month")[0]
    for part in (changed, episodes):
        assert "M.L." in part and "Maria" not in part and "Lopez" not in part


# ---- the same bytes

_MAKE = """
import hashlib, sys
from pathlib import Path
from qc import run
from qc.delivery import completeness as c, pictures as p
from qc.delivery.report import report
from qc.station import load
where = Path(sys.argv[1])
result = run.check(load(where / "moor.station.toml"), [where / "moor.csv"])
made = p.pictures(result, c.shares(result))
page = report(result, made, shares=c.whole(result), gaps=c.gaps(result))
print(hashlib.sha256(page.encode()).hexdigest(), *(hashlib.sha256(one.png).hexdigest() for one in made))
"""


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    _hostile(tmp_path, "plain")
    told = set()
    for seed, zone, locale in (("0", "UTC", "C"), ("5", "Pacific/Auckland", "C.UTF-8")):
        environment = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale}
        done = subprocess.run(
            [sys.executable, "-c", _MAKE, str(tmp_path)], capture_output=True, text=True, check=True, env=environment
        )
        told.add(done.stdout)
    assert len(told) == 1
    assert len(told.pop().split()) >= 6


# ---- open data


@pytest.mark.parametrize("name", ["hills", "forest"])
def test_pages_of_measured_stations_are_whole(name: str) -> None:
    where = shared("expected").parent
    result = run.check(load(where / "expected" / f"{name}.toml"), sorted(where.glob(f"{name}_*.csv"))[:1])
    page = _page(result)
    found = Parsed(page)
    assert not found.open
    assert len([1 for tag, _ in found.elements if tag == "img"]) >= 5
    assert "nan" not in found.text.casefold().replace("finance", "").split()
    assert hashlib.sha256(page.encode()).hexdigest() == hashlib.sha256(_page(result).encode()).hexdigest()
