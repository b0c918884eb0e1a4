"""Time stamps in a declared format: a table of cells, the standard library as witness, and properties."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.errors import StationFileError
from qc.places import folder
from qc.read.stamps import StampFormat, infer_formats, join_cells
from tests.shared import shared

ISO = "%Y-%m-%d %H:%M:%S"
CASES = [
    # format, cell, as read (None: unreadable)
    (ISO, "2021-03-04 05:06:07", "2021-03-04T05:06:07"),
    (ISO, "  2021-03-04 05:06:07\t", "2021-03-04T05:06:07"),
    (ISO, "2021-03-04   05:06:07", "2021-03-04T05:06:07"),
    (ISO, "\u00a02021-03-04\u00a005:06:07", "2021-03-04T05:06:07"),
    (ISO, "2021-03-04T05:06:07", None),
    ("%Y-%m-%dT%H:%M:%S", "2021-03-04 05:06:07", None),
    ("%Y-%m-%dT%H:%M:%S", "2021-03-04T05:06:07", "2021-03-04T05:06:07"),
    (ISO, "2021-03-0405:06:07", None),
    (ISO, "2021-03-04 05:06:07x", None),
    (ISO, "2021-03-04 05:06", None),
    (ISO, "2021-3-4 5:6:7", "2021-03-04T05:06:07"),
    (ISO, "021-03-04 05:06:07", None),
    (ISO, "12021-03-04 05:06:07", None),
    (ISO, "2021-003-04 05:06:07", None),
    (ISO, "٢٠٢١-03-04 05:06:07", None),
    (ISO, "", None),
    (ISO, "   ", None),
    (ISO, "NaN", None),
    # the years that are read
    (ISO, "1899-12-31 23:59:59", None),
    (ISO, "1900-01-01 00:00:00", "1900-01-01T00:00:00"),
    (ISO, "2200-12-31 23:59:59", "2200-12-31T23:59:59"),
    (ISO, "2200-12-31 24:00:00", "2201-01-01T00:00:00"),
    (ISO, "2201-01-01 00:00:00", None),
    # the calendar
    (ISO, "2021-04-30 00:00:00", "2021-04-30T00:00:00"),
    (ISO, "2021-04-31 00:00:00", None),
    (ISO, "2021-02-29 00:00:00", None),
    (ISO, "2020-02-29 00:00:00", "2020-02-29T00:00:00"),
    (ISO, "2100-02-29 00:00:00", None),
    (ISO, "2000-02-29 00:00:00", "2000-02-29T00:00:00"),
    (ISO, "2021-00-01 00:00:00", None),
    (ISO, "2021-13-01 00:00:00", None),
    (ISO, "2021-01-00 00:00:00", None),
    (ISO, "2021-01-32 00:00:00", None),
    ("%Y %j", "2021 365", "2021-12-31"),
    ("%Y %j", "2021 366", None),
    ("%Y %j", "2020 366", "2020-12-31"),
    ("%Y %j", "2020 0", None),
    # the clock
    (ISO, "2021-12-31 24:00:00", "2022-01-01T00:00:00"),
    (ISO, "2021-12-31 24:00:01", None),
    (ISO, "2021-12-31 24:01:00", None),
    (ISO, "2021-12-31 25:00:00", None),
    (ISO, "2021-12-31 23:60:00", None),
    (ISO, "2016-12-31 23:59:60", None),
    ("%d.%m.%Y %H:%M", "31.12.2021 24:00", "2022-01-01"),
    ("%Y-%m-%d %H%M", "2021-02-28 2400", "2021-03-01"),
    # a run of digits shorter than its directives
    ("%Y %j %H%M", "2021 5 5", "2021-01-05T00:05"),
    ("%Y %j %H%M", "2021 5 100", "2021-01-05T01:00"),
    ("%Y %j %H%M", "2021 5 0", "2021-01-05T00:00"),
    ("%Y %j %H%M", "2021 5 2400", "2021-01-06T00:00"),
    ("%Y %j %H%M", "2021 5 2401", None),
    ("%Y %j %H%M", "2021 5 00005", None),
    ("%d%m%Y", "1012024", "2024-01-01"),
    ("%d%m%Y", "01012024", "2024-01-01"),
    ("%d%m%Y", "012024", None),
    ("%Y%m%d%H%M", "202401020304", "2024-01-02T03:04"),
    ("%Y%m%d%H%M", "20240102030", None),
    ("%y%m%d", "10203", "2001-02-03"),
    ("%Y/%m/%d %H%M UTC", "2021/01/01 0100 UTC", "2021-01-01T01:00"),
    ("%Y/%m/%d %H%M UTC", "2021/01/01 0100", None),
    ("%Y/%m/%d %H%M UTC", "2021/01/01 0100 utc", None),
    ("%d/%m/%Y %H:%M", "1/2/2015 0:10", "2015-02-01T00:10"),
    ("%m/%d/%Y %H:%M", "1/2/2015 0:10", "2015-01-02T00:10"),
    ("%m/%d/%Y %H:%M", "13/2/2015 0:10", None),
    # two-digit years: the POSIX pivot
    ("%d.%m.%y", "1.2.68", "2068-02-01"),
    ("%d.%m.%y", "1.2.69", "1969-02-01"),
    ("%d.%m.%y", "1.2.2021", None),
    ("20%y%m%d", "20210304", "2021-03-04"),  # digits that are literals
    ("20%y%m%d", "19210304", None),
    ("20%y-%m-%d", "2120-03-04", None),
    ("%Y%%%m%%%d", "2021%03%04", "2021-03-04"),
    # fractions
    (f"{ISO}.%f", "2021-03-04 05:06:07", "2021-03-04T05:06:07"),
    (f"{ISO}.%f", "2021-03-04 05:06:07.5", "2021-03-04T05:06:07.500000"),
    (f"{ISO}.%f", "2021-03-04 05:06:07.000001", "2021-03-04T05:06:07.000001"),
    (f"{ISO}.%f", "2021-03-04 05:06:07.123456999", "2021-03-04T05:06:07.123456"),
    (f"{ISO}.%f", "2021-03-04 05:06:07.1234567890", None),
    (f"{ISO}.%f", "2021-03-04 05:06:07.", None),
    (f"{ISO}.%f", "2021-03-04 05:06:07,5", None),
    (f"{ISO},%f", "2021-03-04 05:06:07,25", "2021-03-04T05:06:07.250000"),
    (f"{ISO}.%f", "2021-12-31 24:00:00.0", "2022-01-01"),
    (f"{ISO}.%f", "2021-12-31 24:00:00.000001", None),
    ("%H:%M:%S.%f %d.%m.%Y", "05:06:07 04.03.2021", None),  # not last: not optional
    ("%H:%M:%S.%f %d.%m.%Y", "05:06:07.5 04.03.2021", "2021-03-04T05:06:07.500000"),
    ("%Y%m%d%H%M%S%f", "202103040506075", "2021-03-04T05:06:07.500000"),
    # half-day clocks
    ("%Y-%m-%d %I:%M %p", "2021-01-01 12:00 AM", "2021-01-01T00:00"),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 12:30 pm", "2021-01-01T12:30"),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 1:05 p.m.", "2021-01-01T13:05"),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 01:05 a.m.", "2021-01-01T01:05"),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 11:59 P.M.", "2021-01-01T23:59"),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 00:05 AM", None),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 13:05 PM", None),
    ("%Y-%m-%d %I:%M %p", "2021-01-01 01:05 xm", None),
    ("%Y-%m-%d %I:%M%p", "2021-01-01 01:05PM", "2021-01-01T13:05"),
    # names of months and days
    ("%d-%b-%Y", "05-May-2021", "2021-05-05"),
    ("%d-%b-%Y", "05-may-2021", "2021-05-05"),
    ("%d-%b-%Y", "05-SEPT-2021", "2021-09-05"),
    ("%d %B %Y", "5 March 2021", "2021-03-05"),
    ("%d %B %Y", "5 März 2021", "2021-03-05"),
    ("%d %B %Y", "5 MÄRZ 2021", "2021-03-05"),
    ("%d %B %Y", "5 Marz 2021", "2021-03-05"),
    ("%d. %b. %Y", "5. Okt. 2021", "2021-10-05"),
    ("%d %b %Y", "5 Dez. 2021", "2021-12-05"),
    ("%d %b %Y", "5 août 2021", "2021-08-05"),
    ("%d %b %Y", "5 déc. 2021", "2021-12-05"),
    ("%d/%b/%Y", "5/ene/2021", "2021-01-05"),
    ("%d/%b/%Y", "5/out/2021", "2021-10-05"),
    ("%d/%b/%Y", "5/giu/2021", "2021-06-05"),
    ("%d/%b/%Y", "5/lug/2021", "2021-07-05"),
    ("%d/%b/%Y", "5/xyz/2021", None),
    ("%d-%b-%Y", "31-Jun-2021", None),
    ("%a %d %b %Y", "Tue 5 Jan 2021", "2021-01-05"),
    ("%A, %d %b %Y", "Mittwoch, 5 Jan 2021", "2021-01-05"),
    ("%A, %d %b %Y", "miércoles, 5 ene 2021", "2021-01-05"),
    ("%a %d %b %Y", "5 Jan 2021", None),
]


@pytest.mark.parametrize(("format", "cell", "expected"), CASES)
def test_a_cell_is_read_as_the_table_says(format: str, cell: str, expected: str | None) -> None:
    stamps = StampFormat.compile(format).parse([cell])
    assert stamps.offset_s is None
    assert stamps.local.dtype == np.dtype("datetime64[us]")
    np.testing.assert_array_equal(stamps.local, np.array([expected or "NaT"], "datetime64[us]"))


ZONED = "%Y-%m-%dT%H:%M:%S%z"


@pytest.mark.parametrize(
    ("format", "cell", "expected", "offset"),
    [
        (ZONED, "2021-03-04T05:06:07Z", "2021-03-04T05:06:07", 0.0),
        (ZONED, "2021-03-04T05:06:07UTC", "2021-03-04T05:06:07", 0.0),
        (ZONED, "2021-03-04T05:06:07+01", "2021-03-04T05:06:07", 3600.0),
        (ZONED, "2021-03-04T05:06:07+0100", "2021-03-04T05:06:07", 3600.0),
        (ZONED, "2021-03-04T05:06:07+01:00", "2021-03-04T05:06:07", 3600.0),
        (ZONED, "2021-03-04T05:06:07-05:30", "2021-03-04T05:06:07", -19800.0),
        (ZONED, "2021-03-04T05:06:07+14:00", "2021-03-04T05:06:07", 50400.0),
        (ZONED, "2021-03-04T05:06:07+14:01", None, None),
        (ZONED, "2021-03-04T05:06:07+01:60", None, None),
        (ZONED, "2021-03-04T05:06:07+1", None, None),
        (ZONED, "2021-03-04T05:06:07", None, None),
        (ZONED.replace("%S", "%S.%f"), "2021-03-04T05:06:07Z", "2021-03-04T05:06:07", 0.0),
        (ZONED.replace("%S", "%S.%f"), "2021-03-04T05:06:07.25+02:00", "2021-03-04T05:06:07.25", 7200.0),
        (f"{ISO} %z", "2021-03-04 24:00:00 -03:00", "2021-03-05T00:00:00", -10800.0),
        ("%s", "1609459200", "2021-01-01T00:00:00", 0.0),
        ("%s", "1609459200.5", "2021-01-01T00:00:00.5", 0.0),
        ("%s", "1609459200.0", "2021-01-01T00:00:00", 0.0),
        ("%s.%f", "1609459200.25", "2021-01-01T00:00:00.25", 0.0),
        ("%s.%f", "1609459200", "2021-01-01T00:00:00", 0.0),
        ("%s", "0", "1970-01-01T00:00:00", 0.0),
        ("%s", "-1.5", "1969-12-31T23:59:58.5", 0.0),
        ("%s", "-2208988800", "1900-01-01T00:00:00", 0.0),
        ("%s", "-2208988801", None, None),
        ("%s", "7289654399", "2200-12-31T23:59:59", 0.0),
        ("%s", "7289654400", None, None),
        ("%s", "1.6e9", None, None),
        ("%s", "1609459200 s", None, None),
    ],
)
def test_a_cell_with_its_own_zone(format: str, cell: str, expected: str | None, offset: float | None) -> None:
    stamps = StampFormat.compile(format).parse([cell])
    np.testing.assert_array_equal(stamps.local, np.array([expected or "NaT"], "datetime64[us]"))
    assert stamps.offset_s is not None
    np.testing.assert_array_equal(stamps.offset_s, [np.nan if offset is None else offset])


@pytest.mark.parametrize(
    ("format", "says"),
    [
        ("%Y-%m-%d %Q", "'%Q'; known are %Y %y"),
        ("%Y-%m-%d %", "'%'"),
        ("%-d.%m.%Y", "'%-'"),
        ("", "lacks the year"),
        ("%m-%d", "lacks the year"),
        ("%Y-%m", "lacks the day"),
        ("%Y %d", "lacks the day"),
        ("%Y %y %m %d", "the year twice"),
        ("%Y %m %d %H %I %p", "the hour twice"),
        ("%Y %m %b %d", "the month twice"),
        ("%Y %m %d %j", "the day twice"),
        ("%Y-%m-%d %M", "the minute without the hour"),
        ("%Y-%m-%d %H:%S", "the second without the minute"),
        ("%Y-%m-%d %H:%M.%f", "the fraction without the second"),
        ("%Y-%m-%d %I:%M", "%I without %p"),
        ("%Y-%m-%d %H:%M %p", "%p without %I"),
        ("%s %H", "mixes %s"),
        ("%H:%M:%S.%f%Y%m%d", "right after %f"),
        ("%H:%M%z%Y%m%d", "right after %z"),
    ],
)
def test_a_format_that_makes_no_moment_is_refused(format: str, says: str) -> None:
    with pytest.raises(StationFileError) as caught:
        StampFormat.compile(format, where="[[table.layout]] time")
    assert says in caught.value.line()
    assert caught.value.line().startswith("[[table.layout]] time: ")


def test_every_month_name_is_read_as_its_own_month() -> None:
    table = tomllib.loads((folder("rules") / "months.toml").read_text(encoding="utf-8"))["names"]
    reader = StampFormat.compile("%d-%b-%Y")
    for months in table.values():
        assert len(months) == 12
        for number, names in enumerate(months, 1):
            cells = [
                f"5-{name}-2021" for word in names.split() for name in (word, word.upper(), word.lower(), f"{word}.")
            ]
            read = reader.parse(cells).local
            assert (read == np.datetime64(f"2021-{number:02d}-05")).all(), names


@pytest.mark.parametrize(
    "cells",
    [
        pa.array(["2021-01-01 00:00:00", None, "x", " 2021-01-02 00:00:00"]),
        pa.array(["2021-01-01 00:00:00", None, "x", " 2021-01-02 00:00:00"], pa.large_string()),
        pa.array(["?", "2021-01-01 00:00:00", None, "x", " 2021-01-02 00:00:00", "?"]).slice(1, 4),
        pa.chunked_array([["2021-01-01 00:00:00", None], [], ["x", " 2021-01-02 00:00:00"]]),
        pa.array(["2021-01-01 00:00:00", None, "x", " 2021-01-02 00:00:00"]).dictionary_encode(),
        ["2021-01-01 00:00:00", None, "x", " 2021-01-02 00:00:00"],
    ],
    ids=["string", "large", "slice", "chunked", "dictionary", "list"],
)
def test_every_kind_of_column_is_read_alike(cells: pa.Array) -> None:
    expected = np.array(["2021-01-01", "NaT", "NaT", "2021-01-02"], "datetime64[us]")
    np.testing.assert_array_equal(StampFormat.compile(ISO).parse(cells).local, expected)


@pytest.mark.parametrize("cells", [[], pa.array([], pa.string()), pa.chunked_array([], pa.string()), pa.nulls(2)])
def test_columns_without_cells(cells: pa.Array) -> None:
    stamps = StampFormat.compile(ZONED).parse(cells)
    assert stamps.local.shape == (len(cells),) == stamps.offset_s.shape  # type: ignore[union-attr]
    assert np.isnat(stamps.local).all()


def test_columns_are_joined_trimmed_with_one_blank() -> None:
    joined = join_cells([pa.array([" 2021", None, ""]), pa.chunked_array([["5 "], ["6", None]])])
    assert joined.to_pylist() == ["2021 5", " 6", " "]
    assert join_cells([pa.array([" 2021", None])]).to_pylist() == ["2021", ""]


def test_a_long_cell_is_unreadable_however_it_could_be_read() -> None:
    read = StampFormat.compile("%A %Y-%m-%d").parse(["x" * 109 + " 2021-01-01", "x" * 110 + " 2021-01-01"])
    np.testing.assert_array_equal(read.local, np.array(["2021-01-01", "NaT"], "datetime64[us]"))


# --- properties -------------------------------------------------------------------------------------------------

ROUND = [
    ISO,
    "%Y-%m-%dT%H:%M:%S.%f",
    "%d.%m.%Y %H:%M:%S,%f",
    "%m/%d/%y %I:%M:%S %p",
    "%Y %j %H%M%S",
    "%d%m%Y%H%M%S",
    "%A %d %B %Y %H:%M:%S",
    "%a, %d-%b-%y %I:%M:%S%p",
    "%H:%M:%S.%f (%Y/%m/%d)",
    "100%% %Y-%m-%d 5 %H:%M:%S",
    "20%y%m%d%H%M%S",
]
MOMENTS = st.datetimes(datetime(1969, 1, 1), datetime(2068, 12, 31, 23, 59, 59))


@given(st.sampled_from(ROUND), st.lists(MOMENTS, min_size=1, max_size=30))
def test_what_was_written_in_a_format_is_read_back(format: str, moments: list[datetime]) -> None:
    if "20%y" in format:
        moments = [moment.replace(year=2000 + moment.year % 69, day=min(moment.day, 28)) for moment in moments]
    if "%f" not in format:
        moments = [moment.replace(microsecond=0) for moment in moments]
    cells = [moment.strftime(format) for moment in moments]
    np.testing.assert_array_equal(StampFormat.compile(format).parse(cells).local, np.array(moments, "datetime64[us]"))


@given(MOMENTS, st.integers(-14 * 60, 14 * 60), st.booleans())
def test_a_written_zone_is_read_back(moment: datetime, minutes: int, colon: bool) -> None:
    sign, size = "-" if minutes < 0 else "+", abs(minutes)
    zone = f"{sign}{size // 60:02d}{':' if colon else ''}{size % 60:02d}"
    stamps = StampFormat.compile("%Y-%m-%d %H:%M:%S.%f%z").parse([f"{moment:%Y-%m-%d %H:%M:%S.%f}{zone}"])
    assert stamps.offset_s is not None
    assert stamps.offset_s[0] == minutes * 60
    assert stamps.local[0] == np.datetime64(moment, "us")


@given(st.integers(-2_208_988_800, 7_289_654_399), st.integers(0, 999_999))
def test_epoch_seconds_are_read_back(second: int, micro: int) -> None:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=second, microseconds=micro if second >= 0 else -micro)
    if moment.year < 1900:
        return
    text = f"-{-second}.{micro:06d}" if second < 0 else f"{second}.{micro:06d}"
    stamps = StampFormat.compile("%s").parse([text])
    assert stamps.local[0] == np.datetime64(moment.replace(tzinfo=None), "us")


CELLS = st.one_of(
    st.from_regex(r"(19|20|21)[0-9]{2}-[0-9]{1,2}-[0-9]{1,2} [0-9]{1,2}:[0-9]{1,2}:[0-9]{1,2}", fullmatch=True),
    st.from_regex(r"20[0-9]{2}-[01][0-9]-[0-3][0-9] [0-2][0-9]:[0-6][0-9]:[0-6][0-9]", fullmatch=True),
    st.text("0123456789-: T.", max_size=22),
    st.text(st.characters(codec="utf-8"), max_size=8),
)


@given(CELLS)
def test_the_standard_library_reads_the_same(cell: str) -> None:
    try:
        expected = np.datetime64(datetime.strptime(cell.strip(), ISO), "us")
    except ValueError:
        expected = np.datetime64("NaT")
    ours = StampFormat.compile(ISO).parse([cell]).local[0]
    clock = cell.strip().split()[-1] if cell.strip() else ""
    if clock.startswith("24:") and not np.isnat(ours):  # only we read 24:00
        assert set(clock[3:]) <= {"0", ":"}
    elif np.isnat(ours) and not np.isnat(expected):  # only the library reads these
        assert (
            not 1900 <= expected.item().year <= 2200
            or not cell.isascii()
            or set("\n\r\v\f\x1c\x1d\x1e\x1f") & set(cell)
        )
    else:
        np.testing.assert_array_equal(ours, expected)


@given(st.lists(CELLS, max_size=40), st.data())
def test_a_cell_is_read_the_same_in_any_company(cells: list[str], data: st.DataObject) -> None:
    rows = data.draw(st.lists(st.integers(0, len(cells) - 1), max_size=40)) if cells else []
    reader = StampFormat.compile(ISO)
    np.testing.assert_array_equal(reader.parse(cells).local[rows], reader.parse([cells[row] for row in rows]).local)


def test_many_shapes_are_read_as_one_by_one() -> None:
    # 19 letters in all places: thousands of shapes, more than are remembered, among stamps that are good
    rng = np.random.default_rng(5)
    rubbish = ["".join(row) for row in rng.choice(list("abcXYZ-:/ 0123"), (6000, 19))]
    good = [str(moment).replace("T", " ") for moment in np.datetime64("2021-01-01T00:00:00") + np.arange(6000)]
    mixed = [cell for pair in zip(rubbish, good, strict=True) for cell in pair]
    local = StampFormat.compile(ISO).parse(mixed).local
    assert np.isnat(local[::2]).all()
    np.testing.assert_array_equal(local[1::2], np.array(good, "datetime64[us]"))


def test_shapes_whose_sums_collide_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("qc.read.stamps._PRIME", np.uint64(0))  # then only the last byte counts
    cells = ["2021-01-01 00:00:00", "2021/01/01 00:00:00", "2021-1-01  00:00:00"]
    expected = np.array(["2021-01-01", "NaT", "2021-01-01"], "datetime64[us]")
    np.testing.assert_array_equal(StampFormat.compile(ISO).parse(cells).local, expected)


def test_a_column_longer_than_one_block_is_read_whole() -> None:
    moments = np.arange("2021-01-01", "2021-03-01", dtype="datetime64[m]")
    cells = np.datetime_as_string(moments).tolist()
    np.testing.assert_array_equal(StampFormat.compile("%Y-%m-%dT%H:%M").parse(cells).local, moments)


# --- which formats read these? ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("samples", "formats"),
    [
        (["2021-01-01 00:00:00"], [ISO]),
        (["2021-01-01 00:00"], ["%Y-%m-%d %H:%M"]),
        (["2021-01-01T00:00:00"], ["%Y-%m-%dT%H:%M:%S"]),
        (["2021-01-01T00:00:00Z"], [ZONED]),
        (["2021-01-01T00:00:00+01:00"], [ZONED]),
        (["2021-01-01 00:00:00", "2021-01-01 00:00:00.5"], [f"{ISO}.%f"]),
        (["01.02.2021 00:00:00", ""], ["%d.%m.%Y %H:%M:%S"]),
        (["1/2/2021 0:00"], ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"]),
        (["1/2/2021 0:00", "13/2/2021 0:00"], ["%d/%m/%Y %H:%M"]),
        (["1/2/2021 0:00", "1/13/2021 0:00"], ["%m/%d/%Y %H:%M"]),
        (["01/02/21 1:05 p.m.", "01/13/21 1:05 a.m."], ["%m/%d/%y %I:%M %p"]),
        (["05-Jan-2021 10:00"], ["%d-%b-%Y %H:%M"]),
        (["2021/01/01 0000 UTC", "2021/01/01 0100 UTC"], ["%Y/%m/%d %H%M UTC"]),
        (["2021 5 5", "2021 5 100", "2021 40 2355"], ["%Y %j %H%M"]),
        (["2021 1 5 0 5", "2021 1 31 0 5"], ["%Y %m %d %H %M"]),
        (["1609459200", "1609459260"], ["%s"]),
        (["202101010000", "202101010010"], ["%Y%m%d%H%M"]),
        (["20210101000000", "20210101001000"], ["%Y%m%d%H%M%S"]),
        (["2021-01-01"], ["%Y-%m-%d"]),
        (["22056", "22057"], []),  # a record number
        (["a", "b"], []),
        ([], []),
        ([""], []),
    ],
)
def test_the_formats_that_read_some_samples(samples: list[str], formats: list[str]) -> None:
    found = infer_formats(samples)
    assert found.formats == formats
    assert found.unread == ([] if formats else [text for text in samples if text])


def test_a_hundredth_may_be_unreadable_and_is_reported() -> None:
    good = [f"{day:02d}/01/2021 00:00" for day in range(1, 13)] * 9
    good = good[:99]
    assert infer_formats([*good, "-"]) == (["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"], ["-"])
    assert infer_formats([*good[:98], "-"]) == ([], [*good[:98], "-"])  # 1 in 99 is more than 1 %
    # one 13th day decides, though the other order would miss it only
    assert infer_formats([*good, "13/01/2021 00:00"]) == (["%d/%m/%Y %H:%M"], [])


@pytest.mark.parametrize(
    ("file", "skip", "columns", "separator", "format"),
    [
        ("roof_10min.csv", 1, [0], ",", "%d.%m.%Y %H:%M:%S"),
        ("campus_2024_12.csv", 1, [0], ",", ISO),
        ("plateau_10min_2015.csv", 4, [0], ",", "%d/%m/%Y %H:%M"),
        ("forest_5min_2016_03.csv", 4, [0], ",", ISO),
        ("coast_hourly_2021.csv", 9, [0, 1], ";", "%Y/%m/%d %H%M UTC"),
        ("estuary_15min_2016.csv", 1, [2], ",", "%m/%d/%Y %H:%M"),
    ],
)
def test_formats_of_the_open_tables(file: str, skip: int, columns: list[int], separator: str, format: str) -> None:
    # the formats are those of shared/data/expected/*.toml, written by hand
    lines = shared(file).read_text(encoding="latin-1").splitlines()[skip:]
    lines = [line for line in lines if line]
    cells = [[line.split(separator)[column].strip('"') for line in lines] for column in columns]
    joined = join_cells([pa.array(column) for column in cells])
    assert infer_formats(joined.to_pylist()[::20]) == ([format], [])
    local = StampFormat.compile(format).parse(joined).local
    assert not np.isnat(local).any()
    assert 0.99 < (np.diff(local) == np.median(np.diff(local))).mean() <= 1.0
