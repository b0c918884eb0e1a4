"""What diagnosis is worth: `python -m tests.bench.diagnosis` (`--help` tells the sizes).

Stations are split: faults are tuned on the first part, confidence is calibrated on the second, and what README shows is
measured on the third alone. In pieces of 14 to 60 days each fault of the book is planted in the text of the tables, in
three grades and from a random moment on, then looked for as any other. The same pieces as they are tell how often a
healthy station is blamed; what is known to be wrong in open data is left out (`truth.toml`, `truth_more.toml`).

    tune        roof, campus, otter-fell, invented A
    calibrate   forest, coast, invented B
    report      plateau, estuary, hills, invented C

The result is kept in `diagnosis.json` beside this file, the picture in `diagnosis.png`; `--calibrate` writes
`rules/faults/calibration.json`.
"""

from __future__ import annotations

import argparse
import fnmatch
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
import tomllib
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from qc import diagnosis
from qc.diagnosis import Diagnosis, Finding
from qc.faults import GRADES, registry
from qc.injection import Files
from qc.places import folder
from qc.read.tables import read_tables
from qc.rehearsal import Window, judged, looked, planted, whole, window
from qc.rehearsal import _shortest as shortest
from qc.station import Station, load
from tests.bench import year
from tests.bench.invented import SITES, made
from tests.bench.whole import process
from tests.shared import FOLDER

HERE = Path(__file__).parent
RESULTS, PICTURE = HERE / "diagnosis.json", HERE / "diagnosis.png"
CALIBRATION = folder("rules") / "faults" / "calibration.json"
SAMPLE = folder("sample_data")
PARTS = ("tune", "calibrate", "report")
OPEN = {
    "roof": ("tune", "roof_*.csv"), "campus": ("tune", "campus_*.csv"), "forest": ("calibrate", "forest_*.csv"),
    "coast": ("calibrate", "coast_*.csv"), "plateau": ("report", "plateau_*.csv"),
    "estuary": ("report", "estuary_*.csv"), "hills": ("report", "hills_*.csv"),
}  # fmt: skip
LETTERS = {"tune": "A", "calibrate": "B", "report": "C"}
ODD = {
    "maritime": "storm", "continental": "snow", "desert": "heat", "tropics": "calm", "south": "dry",
    "mountain": "fog", "arctic": "inversion",
}  # fmt: skip
NONE = "nothing"


@dataclass(frozen=True)
class Piece:
    """Some days of one station: `begin` is the share of an open record at which it starts, `seed` invented weather."""

    station: str
    part: str
    days: int
    begin: float = 0.0
    seed: int = 0
    odd: str | None = None
    year: int = 0  # months by which an invented start is moved

    @property
    def name(self) -> str:
        """What it is called in results."""
        return f"{self.station}{':' + self.odd if self.odd else ''}#{self.seed or round(100 * self.begin)}"


def pieces(part: str, each: int, *, odd: bool) -> list[Piece]:
    """The pieces of one part: `each` of every station, of different lengths, and one of odd weather."""
    out = []
    lengths = (30, 21, 45, 14, 60)
    for name, (own, _) in OPEN.items():
        if own == part and FOLDER.exists():
            out += [Piece(name, part, lengths[k % 5], (k + 0.5) / each) for k in range(each)]
    if part == "tune":
        out += [Piece("otter-fell", part, 20, 0.34)]  # the stretch in which nothing is planted
    for number, name in enumerate(n for n in SITES if n.startswith(LETTERS[part])):
        out += [Piece(name, part, lengths[(number + k) % 5], seed=10 + k, year=5 * k) for k in range(each)]
        if odd:
            out.append(Piece(name, part, 14, seed=90, odd=ODD[SITES[name].kind]))
    return out


def months(part: str, seasons: int) -> list[Piece]:
    """More pieces in which nothing is planted: each month of the open records, so many seasons of the invented ones."""
    out = []
    for name, (own, _) in OPEN.items():
        if own == part and FOLDER.exists():
            stamps = np.concatenate([t.time for t in _files(name, *of(name)).record.tables.values()])
            count = max(1, round(len(np.unique(stamps.astype("datetime64[D]"))) / 30))
            out += [Piece(name, part, 30, k / count) for k in range(count)]
    for name in (n for n in SITES if n.startswith(LETTERS[part])):
        out += [Piece(name, part, 30, seed=50 + k, year=12 * k // seasons) for k in range(seasons)]
    return out


def made_of(piece: Piece) -> Window:
    """A piece, read, checked, diagnosed as it is."""
    if piece.station in SITES:
        site = SITES[piece.station]
        start = str((np.datetime64(site.start[:7], "M") + piece.year).astype("datetime64[D]") + int(site.start[8:]) - 1)
        one = made(piece.station, piece.days, piece.odd, piece.seed, start=start)
        with tempfile.TemporaryDirectory() as where:
            _, table = one.write(Path(where))
            return whole(Files(one.station, [table]))
    station, paths = of(piece.station)
    files = _files(piece.station, station, tuple(paths))
    stamps = np.concatenate([t.time for t in files.record.tables.values()])
    first, last, length = stamps.min(), stamps.max(), np.timedelta64(piece.days, "D")
    days = np.unique(stamps.astype("datetime64[D]"))  # files of campus and forest lie years apart
    here = days[min(int(piece.begin * len(days)), len(days) - 1)].astype("datetime64[us]")
    first = max(first, min(here, last - length))
    return window(files, first, first + length)


_READ: dict[str, Files] = {}


def _files(name: str, station: Station, paths: Sequence[Path]) -> Files:
    if name not in _READ:
        _READ.clear()  # one at a time: memory is shared
        _READ[name] = Files(station, paths)
    return _READ[name]


def of(name: str) -> tuple[Station, list[Path]]:
    """Station file and tables of an open station or of the sample."""
    if name == "otter-fell":
        return load(SAMPLE / "otter-fell.station.toml"), sorted(SAMPLE.glob("otter-fell_?.csv"))
    return load(FOLDER / "expected" / f"{name}.toml"), sorted(FOLDER.glob(OPEN[name][1]))


# ---- what is known to be wrong


def natural(name: str, station: Station) -> list[tuple[str, tuple[str, ...], np.datetime64, np.datetime64]]:
    """Known troubles of an open station: fault (empty where not named), channels, from, to."""
    if name in SITES:
        return []
    out = []
    columns = {str(c): ch.name for ch in station.channel for c in ch.columns}
    entries: list[Mapping[str, Any]] = []
    if name == "otter-fell":
        entries = tomllib.loads((SAMPLE / "truth.toml").read_text("utf-8"))["planted"]
    else:
        told = tomllib.loads((FOLDER / "truth.toml").read_text("utf-8"))["known"]
        files = [p.name for p in sorted(FOLDER.glob(OPEN[name][1]))]
        entries = [e for e in told if any(fnmatch.fnmatch(f, e["file"]) for f in files)]
        more = tomllib.loads((HERE / "truth_more.toml").read_text("utf-8"))["known"]
        entries += [e for e in more if e["station"] in (name, f"{name}_2016", f"{name}_2017")]
    for e in entries:
        first, last = (
            np.datetime64(e[k].replace(tzinfo=None), "us") if k in e else np.datetime64(far, "us")
            for k, far in (("from", "1900-01-01"), ("to", "2200-01-01"))
        )
        channels = tuple(columns.get(c, c) for c in e["channels"])
        out.append((str(e.get("fault", "")), channels, first, last))
    return out


def known(finding: Finding, troubles: Sequence[tuple[str, tuple[str, ...], np.datetime64, np.datetime64]]) -> bool:
    """Whether a finding is about values that are known to be wrong."""
    s = finding.suspect
    return any(set(c) & set(s.channels) and first <= s.last and last >= s.first for _, c, first, last in troubles)


# ---- one piece


class Watched:
    """All suspects that are weighed while it is entered, listed or not."""

    def __enter__(self) -> Watched:
        self.found: dict[str, Finding] = {}
        self._real = diagnosis.weighed

        def seen(found: Sequence[Finding]) -> list[Finding]:
            for one in diagnosis.explained(found):
                self.found[one.id] = one
            return self._real(found)

        diagnosis.weighed = seen
        return self

    def __exit__(self, *rest: object) -> None:
        diagnosis.weighed = self._real

    def groups(self) -> Iterator[tuple[float, list[Finding]]]:
        """For each group of causes that cannot be told apart its log-odds and members, the surest first."""
        done: set[str] = set()
        for one in sorted(self.found.values(), key=lambda f: -f.log_odds):
            if one.id in done:
                continue
            members = [one, *(o for o in self.found.values() if o is not one and diagnosis._rivals(one, o))]
            done |= {m.id for m in members}
            others = [r + diagnosis._prior(one.fault.id) for r in one.suspect.rivals.values()]
            odds = [m.log_odds for m in members] + others
            yield float(np.log(np.exp(odds).sum())), members

    def suspects(self, fault: str, channels: Sequence[str], skip: Callable[[Finding], bool]) -> list[dict[str, Any]]:
        """Each suspect that is not out of the question: its log-odds, those with its rivals, whether it is right."""
        out = []
        for one in self.found.values():
            against = [o.log_odds for o in self.found.values() if o is not one and diagnosis._rivals(one, o)]
            against += [r + diagnosis._prior(one.fault.id) for r in one.suspect.rivals.values()]
            total = float(np.log(np.exp([one.log_odds, *against]).sum()))
            if total > -2.0 and not skip(one):
                out.append(
                    {"fault": one.fault.id, "channels": list(one.suspect.channels), "odds": one.log_odds,
                     "total": total, "right": _right(one, fault, channels), "summary": one.suspect.summary[:200]}
                )  # fmt: skip
        return out


def _right(f: Finding, fault: str, channels: Sequence[str]) -> bool:
    own = f.suspect.channels
    return f.fault.id == fault and (not own or not channels or bool(set(own) & set(channels)))


def _listed(found: Diagnosis, skip: frozenset[str], fault: str, channels: Sequence[str]) -> list[dict[str, Any]]:
    return [
        {"fault": f.fault.id, "confidence": f.confidence, "right": _right(f, fault, channels)}
        for f in found.findings
        if f.id not in skip
    ]


def run_piece(job: tuple[Piece, tuple[str, ...], tuple[str, ...], bool, float]) -> list[dict[str, Any]]:
    """All plantings of one piece, or a share of them by lot, and the piece as it is; a row for each."""
    piece, faults, grades, delays, share = job
    began = time.perf_counter()
    try:
        with Watched() as watched:
            here = made_of(piece)
    except Exception as error:
        return [
            {
                "kind": "broken",
                "piece": piece.name,
                "station": piece.station,
                "part": piece.part,
                "why": repr(error)[:300],
            }
        ]
    troubles = natural(piece.station, here.files.station)
    skip = here.natural
    head = {"piece": piece.name, "station": piece.station, "part": piece.part, "odd": piece.odd or ""}
    span = max((c.span_s for c in (diagnosis.case_of(here.checked, t) for t in here.checked.tables)), default=0.0)
    false = [f for f in here.diagnosis.findings if not known(f, troubles)]
    out = [
        head
        | {
            "kind": "healthy", "days": span / 86400,
            "findings": [{"fault": f.fault.id, "channels": list(f.suspect.channels), "confidence": f.confidence,
                          "log_odds": f.log_odds, "summary": f.suspect.summary} for f in false],
            "natural": [{"fault": f.fault.id, "channels": list(f.suspect.channels), "confidence": f.confidence}
                        for f in here.diagnosis.findings if f not in false],
            "suspects": watched.suspects("", (), lambda f: known(f, troubles)),
            "groups": [[odds, False] for odds, members in watched.groups() if not known(members[0], troubles)],
        }
    ]  # fmt: skip
    for fault in registry().values():
        if faults and fault.id not in faults:
            continue
        if any(f.fault.id == fault.id for f in here.diagnosis.findings):
            continue  # it is there already
        for grade in grades:
            seed = zlib.crc32(f"{fault.id};{grade};{piece.name}".encode())
            if zlib.crc32(f"lot;{seed}".encode()) % 1000 >= 1000 * share:
                continue
            row = head | {"kind": "planted", "fault": fault.id, "grade": grade}
            try:
                got = planted(here, fault, grade, seed)
                if got is None:
                    out.append(row | {"kind": "cannot"})
                    continue
                table, injection, record = got
                with Watched() as watched:
                    found = looked(record)
                right, surest = judged(fault.id, injection.channels, found, skip)
                delay = None
                if delays and grade == "typical" and right is not None and right is surest:
                    delay = shortest(record, fault, injection, skip)
            except Exception as error:
                out.append(row | {"kind": "broken", "why": repr(error)[:300]})
                continue
            said = [u.why for i, u in found.not_tested if i == fault.id]
            interval = np.timedelta64(round(diagnosis.case_of(here.checked, table).interval_s), "s")
            onset = None
            if right is not None:
                a, b = right.suspect.onset
                early, late = (
                    max(a - interval - injection.first, np.timedelta64(0)),
                    max(injection.first - b - interval, np.timedelta64(0)),
                )
                hours = max(early, late) / np.timedelta64(1, "h")
                wide = float((b - a) / np.timedelta64(1, "h"))
                onset = {"inside": bool(hours == 0.0), "off_h": float(hours), "wide_h": wide}
            out.append(
                row
                | {
                    "channels": list(injection.channels),
                    "after_d": float((record.tables[table].time[-1] - injection.first) / np.timedelta64(1, "D")),
                    "first": right is not None and right is surest, "found": right is not None,
                    "taken": surest.fault.id if surest is not None else NONE,
                    "confidence": right.confidence if right else 0.0,
                    "truth": _plain(injection.evidence), "evidence": _plain(right.suspect.evidence) if right else None,
                    "onset": onset, "delay_d": delay, "not_tested": said[:1],
                    "beside": bool(here.natural),
                    "suspects": watched.suspects(
                        fault.id, injection.channels, lambda f: f.id in skip
                    ),
                    "listed": _listed(found, skip, fault.id, injection.channels),
                    "groups": [
                        [odds, any(_right(m, fault.id, injection.channels) for m in members)]
                        for odds, members in watched.groups()
                        if members[0].id not in skip and not known(members[0], troubles)
                    ],
                }
            )  # fmt: skip
    print(f"  {piece.name:24} {len(out):4} rows {time.perf_counter() - began:6.1f} s", flush=True)
    return out


def _plain(evidence: Mapping[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in evidence.items():
        if isinstance(value, str | bool) or value is None:
            out[key] = value
        elif isinstance(value, list | tuple):
            out[key] = [str(v) for v in value]
        elif isinstance(value, np.datetime64):
            out[key] = str(value)
        else:
            out[key] = float(value)
    return out


# ---- statistics


def wilson(right: int, of_: int, z: float = 1.96) -> tuple[float, float]:
    """Interval of a share (Wilson 1927, from memory), at 95 %; 0 to 1 without any case."""
    if not of_:
        return 0.0, 1.0
    p, n = right / of_, of_
    middle, half = p + z * z / (2 * n), z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    low, high = (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)
    return max(0.0, float(low)), min(1.0, float(high))


def poisson(count: int) -> tuple[float, float]:
    """Exact interval of an expected count at 95 % (Garwood 1936, from memory)."""
    from scipy.stats import chi2

    low = float(chi2.ppf(0.025, 2 * count) / 2) if count else 0.0
    return low, float(chi2.ppf(0.975, 2 * count + 2) / 2)


def isotonic(odds: Sequence[float], right: Sequence[bool]) -> list[tuple[float, float]]:
    """Share right by log-odds, rising: pools of adjacent violators, each with half a case of doubt to both sides."""
    order = np.argsort(odds, kind="stable")
    x, y = np.asarray(odds, float)[order], np.asarray(right, float)[order]
    pools: list[list[float]] = []  # sum right, count, sum of x
    for a, b in zip(x, y, strict=True):
        pools.append([b, 1.0, a])
        while len(pools) > 1 and pools[-2][0] * pools[-1][1] >= pools[-1][0] * pools[-2][1]:
            last = pools.pop()
            pools[-1] = [p + q for p, q in zip(pools[-1], last, strict=True)]
    points = [(sx / n, (r + 0.5) / (n + 1.0)) for r, n, sx in pools]
    shares = np.maximum.accumulate([s for _, s in points])
    return [(round(a, 3), round(float(s), 4)) for (a, _), s in zip(points, shares, strict=True)]


def error_of(listed: Sequence[Mapping[str, Any]], bins: int = 10) -> dict[str, Any]:
    """Expected calibration error of listed findings, in equal bins of confidence from 0 to 1, and the bins."""
    c = np.array([f["confidence"] for f in listed])
    r = np.array([f["right"] for f in listed], float)
    rows = []
    for k in range(bins):
        here = (c > k / bins) & (c <= (k + 1) / bins)
        if here.any():
            low, high = wilson(int(r[here].sum()), int(here.sum()))
            rows.append({"confidence": float(c[here].mean()), "right": float(r[here].mean()), "count": int(here.sum()),
                         "low": low, "high": high})  # fmt: skip
    total = sum(row["count"] for row in rows)
    ece = sum(row["count"] * abs(row["confidence"] - row["right"]) for row in rows) / max(total, 1)
    return {"ece": ece, "findings": total, "bins": rows}


def _share(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    right = sum(r["first"] for r in rows)
    low, high = wilson(right, len(rows))
    return {"planted": len(rows), "first": right, "found": sum(r["found"] for r in rows), "low": low, "high": high}


def _errors(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """For each evidence key the middle and the 0.9 quantile of its absolute error; for words the share told right."""
    out: dict[str, Any] = {}
    here = [r for r in rows if r["evidence"]]
    for key in dict.fromkeys(k for r in here for k in r["truth"]):
        pairs = [(r["truth"][key], r["evidence"].get(key)) for r in here if key in r["truth"]]
        numbers = [(a, b) for a, b in pairs if isinstance(a, float) and isinstance(b, float)]
        if numbers:
            off = np.array([b - a for a, b in numbers])
            if key.startswith(("direction", "azimuth")):
                off = (off + 180.0) % 360.0 - 180.0
            size = np.median(np.abs([a for a, _ in numbers]))
            out[key] = {"count": len(off), "bias": float(np.median(off)), "middle": float(np.median(np.abs(off))),
                        "q90": float(np.quantile(np.abs(off), 0.9)), "typical_size": float(size)}  # fmt: skip
        elif pairs:
            out[key] = {"count": len(pairs), "same": sum(a == b for a, b in pairs)}
    return out


def summed(rows: Sequence[Mapping[str, Any]], part: str) -> dict[str, Any]:
    """The figures of one part."""
    mine = [r for r in rows if r["part"] == part]
    plants = [r for r in mine if r["kind"] == "planted"]
    usual = [r for r in plants if not r["odd"]]
    healthy = [r for r in mine if r["kind"] == "healthy"]
    months = sum(r["days"] for r in healthy) / 30.0
    false = [f | {"piece": r["piece"]} for r in healthy for f in r["findings"]]
    sure = [f for f in false if f["confidence"] >= 0.9]
    low, high = poisson(len(false))
    by_fault = {}
    for fault in registry():
        own = [r for r in usual if r["fault"] == fault]
        if not own:
            continue
        delays = [r["delay_d"] for r in plants if r["fault"] == fault and r["delay_d"] is not None]
        onsets = [r["onset"] for r in own if r["onset"]]
        by_fault[fault] = {
            "grades": {g: _share([r for r in own if r["grade"] == g]) for g in GRADES},
            "errors": _errors([r for r in own if r["grade"] != "near"]),
            "delay_d": {"count": len(delays), "middle": float(np.median(delays)), "most": max(delays)}
            if delays
            else None,
            "onset": {"count": len(onsets), "inside": sum(o["inside"] for o in onsets),
                      "off_h_q90": float(np.quantile([o["off_h"] for o in onsets], 0.9)),
                      "wide_h": float(np.median([o["wide_h"] for o in onsets]))} if onsets else None,
        }  # fmt: skip
    confusion: dict[str, Counter[str]] = defaultdict(Counter)
    for r in usual:
        if r["grade"] != "near":
            confusion[r["fault"]][
                r["fault"] if r["first"] else (r["taken"] if r["taken"] != r["fault"] else f"{r['fault']} elsewhere")
            ] += 1
    listed = [f for r in plants for f in r["listed"]] + [{"confidence": f["confidence"], "right": False} for f in false]
    return {
        "stations": sorted({r["station"] for r in mine}),
        "plantings": len(plants),
        "overall": {g: _share([r for r in usual if r["grade"] == g]) for g in GRADES},
        "faults": by_fault,
        "confusion": {k: dict(v.most_common()) for k, v in confusion.items()},
        "healthy": {"months": months, "findings": len(false), "per_month": len(false) / max(months, 1e-9),
                    "low": low / max(months, 1e-9), "high": high / max(months, 1e-9), "at_0.9": len(sure),
                    "told": false},
        "beside_natural": {g: _share([r for r in usual if r["beside"] and r["grade"] == g]) for g in GRADES},
        "odd": {g: _share([r for r in plants if r["odd"] and r["grade"] == g]) for g in GRADES},
        "reliability": error_of(listed),
        "cannot": dict(Counter(r["fault"] for r in mine if r["kind"] == "cannot")),
        "broken": [r for r in mine if r["kind"] == "broken"],
        "natural": sorted({(r["station"], f["fault"], ",".join(f["channels"])) for r in healthy for f in r["natural"]}),
        "missed": [
            {k: r[k] for k in ("piece", "fault", "grade", "taken", "confidence", "after_d", "not_tested", "truth")}
            for r in usual if not r["first"] and r["grade"] != "near"
        ],
    }  # fmt: skip


def recalibrated(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows with the confidence that the calibration now in force gives their suspects, and what follows from it."""
    out = []
    for row in rows:
        if "suspects" not in row:
            out.append(dict(row))
            continue
        listed = []
        for s in row["suspects"]:
            group = diagnosis.calibrated(s["total"])
            own = group * float(np.exp(s["odds"] - s["total"]))
            if group >= diagnosis.LISTED and own >= diagnosis.SHARED:
                listed.append(s | {"confidence": round(own, 3)})
        if row["kind"] == "healthy":
            out.append(row | {"findings": listed})
            continue
        right = max((s["confidence"] for s in listed if s["right"]), default=None)
        best = max(listed, key=lambda s: (s["confidence"], s["right"]), default=None)
        first = right is not None and best is not None and right >= best["confidence"]
        out.append(
            row
            | {
                "listed": listed, "found": right is not None, "first": first, "confidence": right or 0.0,
                "taken": row["fault"] if first else best["fault"] if best else NONE,
            }
        )  # fmt: skip
    return out


def calibration(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Points of log-odds and the share right, from the calibrating part."""
    mine = [r for r in rows if r["part"] == "calibrate" and r["kind"] in ("planted", "healthy")]
    pairs = [pair for r in mine for pair in r["groups"]]
    planted_ = sum(r["kind"] == "planted" for r in mine)
    return {
        "points": isotonic([a for a, _ in pairs], [b for _, b in pairs]),
        "prior": f"{planted_} of {len(mine)} records hold one planted fault, all faults and grades alike often",
        "cases": len(pairs),
        "made_by": "python -m tests.bench.diagnosis --calibrate: pools of adjacent violators on "
        + ", ".join(sorted({r["station"] for r in mine})),
    }


# ---- speed


def speed(minutes: int, days: int = 365, turns: int = 3) -> dict[str, Any]:
    """Seconds that the commands `check` and `diagnose` take on an invented station-year, by turns."""
    with tempfile.TemporaryDirectory() as where:
        folder_ = Path(where)
        if minutes == 1:  # the year that the speed of `check` is measured on
            station, table = folder_ / "bench.station.toml", folder_ / "year.csv"
            station.write_text(year.station_text(), "utf-8")
            year.write(table)
        else:
            station, table = made("A-maritime", days, minutes=minutes).write(folder_)
        record = next(iter(read_tables(load(station), [table])[0].tables.values()))
        rows, channels = record.rows, len(record.channels)
        pairs = [[_seconds(name, station, table, folder_) for name in ("check", "diagnose")] for _ in range(turns)]
    check_s, diagnose_s = (statistics.median(pair[i] for pair in pairs) for i in (0, 1))
    return {"minutes": minutes, "rows": rows, "channels": channels, "check_s": check_s, "diagnose_s": diagnose_s,
            "ratio": statistics.median(b / a for a, b in pairs)}  # fmt: skip


def _seconds(command: str, station: Path, table: Path, folder_: Path) -> float:
    words = [sys.executable, "-m", "qc", command, str(station), str(table), "--out", str(folder_ / command)]
    return process([*words, "--replace", "--quiet"])[0]


# ---- picture


def draw(found: Mapping[str, Any]) -> bytes:
    """The matrix of causes: what was planted against what was named first, typical and gross grades."""
    from qc.write import picture as house

    confusion = found["confusion"]
    order = [f for f in registry() if f in confusion]
    others = sorted({k for row in confusion.values() for k in row} - set(order) - {NONE})
    columns = [*order, *others, NONE]
    with house.house():
        side = 0.27
        drawn = house.figure(2.3 + side * len(order), width=2.6 + side * len(columns))
        axes = drawn.add_subplot()
        shares = np.array(
            [[confusion[a].get(b, 0) / max(sum(confusion[a].values()), 1) for b in columns] for a in order]
        )
        axes.imshow(np.where(shares > 0, shares, np.nan), cmap="YlGn", vmin=0.0, vmax=1.25, aspect="equal")
        for i, a in enumerate(order):
            for j, b in enumerate(columns):
                if count := confusion[a].get(b, 0):
                    axes.text(j, i, str(count), ha="center", va="center", fontsize=6.5,
                              color=house.INK if a == b else "#a3311d")  # fmt: skip
        axes.set_xticks(range(len(columns)), [house.label(c) for c in columns], rotation=90)
        axes.set_yticks(range(len(order)), [house.label(c) for c in order])
        axes.set_ylabel("planted")
        axes.set_xlabel("named first")
        axes.grid(visible=True, linewidth=0.3)
        return house.png(drawn)


# ---- the run


def main() -> None:
    """Measure, print the weak cells, keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", default="calibrate,report", help="of tune, calibrate, report")
    parser.add_argument("--each", type=int, default=2, help="pieces of every station")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--fault", action="append", default=[], help="only this one; may be given again")
    parser.add_argument("--grade", action="append", default=[], help="only this one; may be given again")
    parser.add_argument("--station", action="append", default=[], help="only this one; may be given again")
    parser.add_argument("--no-odd", action="store_true", help="leave odd weather out")
    parser.add_argument("--seasons", type=int, default=3, help="more healthy months of each reported station")
    parser.add_argument("--delays", action="store_true", help="find the shortest record of each typical planting")
    parser.add_argument("--calibrate", action="store_true", help="write rules/faults/calibration.json, then report")
    parser.add_argument("--speed", action="store_true", help="time a station-year too, on an idle machine")
    parser.add_argument("--share", type=float, default=1.0, help="of the plantings of each piece, drawn by lot")
    parser.add_argument("--raw", type=Path, help="add a line for each planting to this file as it is done")
    parser.add_argument("--read", type=Path, action="append", help="sum up such a file instead of measuring")
    parser.add_argument("--keep", action="store_true", help="keep the figures in diagnosis.json and diagnosis.png")
    a = parser.parse_args()
    parts = a.parts.split(",")
    registry()  # before any fork
    rows = [json.loads(line) for path in a.read or () for line in path.read_text("utf-8").splitlines()]
    if a.calibrate and a.read:
        CALIBRATION.write_text(json.dumps(calibration(rows), indent=1) + "\n", "utf-8")
    for part in parts if not a.read else ():
        print(part, flush=True)
        jobs = [
            (p, tuple(a.fault), tuple(a.grade) or GRADES, a.delays and part == "report", a.share)
            for p in pieces(part, a.each, odd=not a.no_odd and part == "report")
            if not a.station or p.station in a.station
        ]
        if part == "report" and a.seasons:
            jobs += [
                (p, (), (), False, 1.0) for p in months(part, a.seasons) if not a.station or p.station in a.station
            ]
        for done in _all(jobs, a.jobs):
            rows += done
            if a.raw:
                with a.raw.open("a", encoding="utf-8") as file:
                    file.writelines(json.dumps(row) + "\n" for row in done)
        if part == "calibrate" and a.calibrate:
            CALIBRATION.write_text(json.dumps(calibration(rows), indent=1) + "\n", "utf-8")
            diagnosis._calibration.cache_clear()
    rows = recalibrated(rows)
    found: dict[str, Any] = {part: summed(rows, part) for part in parts}
    if a.speed:
        found["speed"] = [speed(10), speed(1)]
    for part in parts:
        print(told(part, found[part]))
    for row in found.get("speed", ()):
        print(row)
    if a.keep:
        old = json.loads(RESULTS.read_text("utf-8")) if RESULTS.exists() else {}
        RESULTS.write_text(json.dumps(old | found, indent=1) + "\n", "utf-8")
        if "report" in found:
            PICTURE.write_bytes(draw(found["report"]))


def _all(jobs: Iterable[Any], processes: int) -> Iterator[list[dict[str, Any]]]:
    if processes < 2:
        yield from map(run_piece, jobs)
        return
    with multiprocessing.get_context("fork").Pool(processes, initializer=os.nice, initargs=(2,)) as pool:
        yield from pool.imap_unordered(run_piece, jobs, chunksize=1)


def told(part: str, found: Mapping[str, Any]) -> str:
    """The figures of one part in a terminal."""
    lines = [f"== {part}: {found['plantings']} plantings on {', '.join(found['stations'])}"]
    for fault, one in found["faults"].items():
        cells = [
            f"{g} {s['first']:3}/{s['planted']:3} ({s['low']:.2f}-{s['high']:.2f})" for g, s in one["grades"].items()
        ]
        delay, onset = one["delay_d"], one["onset"]
        wait = f" delay {delay['middle']:.3g} d" if delay else ""
        inside = f" onset {onset['inside']}/{onset['count']}" if onset else ""
        lines.append(f"{fault:22}{'  '.join(cells)}{wait}{inside}")
        wrong = {k: n for k, n in found["confusion"].get(fault, {}).items() if k != fault}
        if wrong:
            lines.append(f"{'':24}{wrong}")
    lines.append(f"overall {found['overall']}")
    h = found["healthy"]
    lines.append(
        f"healthy: {h['findings']} in {h['months']:.1f} months ({h['per_month']:.3f}, {h['low']:.3f}-{h['high']:.3f}), "
        f"{h['at_0.9']} at 0.9"
    )
    lines += [f"   {f['piece']}: {f['fault']} {f['channels']} {f['confidence']:.2f} {f['summary']}" for f in h["told"]]
    r = found["reliability"]
    lines.append(
        f"reliability: ECE {r['ece']:.3f} on {r['findings']}: "
        + ", ".join(f"{b['confidence']:.2f}->{b['right']:.2f} ({b['count']})" for b in r["bins"])
    )
    lines.append(f"odd {found['odd']}")
    lines.append(f"natural {found['natural']}")
    lines += [f"broken {b}" for b in found["broken"]]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
