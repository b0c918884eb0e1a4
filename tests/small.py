"""A small invented station in text, and edits of it: for tests of what can be wrong with one."""

from __future__ import annotations

STATION = """\
[station]
id = "hay-loft"
name = "Hay Loft"
latitude = 54.5
longitude = -3.1
elevation = 120.0
climate = "temperate"
visits = "visits.csv"

[[clock]]
utc_offset = "+00:00"
minutes_ahead = 0.0

[[table]]
id = "ten"
kind = "interval"
interval = "10min"
stamps = "end"
stray = "30s"
line_counter = "No"

[[table.layout]]
names = ["Stamp", "No", "Temp"]
decimal = "."
missing = ["NAN"]
time = { columns = ["Stamp"], format = "%Y-%m-%d %H:%M" }

[[channel]]
name = "t_air"
quantity = "air_temperature"
column = "Temp"
unit = "degC"
statistic = "mean"
height = 2.0
range = [-40.0, 60.0]
resolution = 0.1
device = "probe-1"
at = { bearing = 90.0, distance = 0.9 }

[[channel.deployment]]
from = 2026-01-01T00:00:00Z
serial = "HL-1"

[[channel]]
name = "p"
quantity = "air_pressure"
column = ["Press", "Pressure"]
unit = "hPa"

[[channel]]
name = "wd"
quantity = "wind_direction"
column = "Dir"
unit = "degree"

[[horizon]]
azimuth = 90.0
elevation = 5.0

[learnt]
date = 2026-03-01

[rules]
"""

NAMES = "Stamp,No,Temp,Press,Dir\n"
ROWS = [f"2026-03-01 {10 + n // 6}:{n % 6}0,{n + 1},{5 + n / 10:.1f},{990 + n / 10:.1f},2{n:02d}\n" for n in range(24)]
TABLE = NAMES + "".join(ROWS)


def changed(edits: Edits, text: str = STATION) -> str:
    """The station's text with pieces exchanged; a piece that does not stand there once is a mistake of the test."""
    for old, new in edits if isinstance(edits, list) else [edits]:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the text"
        text = text.replace(old, new)
    return text


SECOND_CLOCK = 'minutes_ahead = 0.0\n[[clock]]\nutc_offset = "+01:00"\n'
ANOTHER_TABLE = """[[table]]
id = "%s"
interval = "1h"
stamps = "end"
[[table.layout]]
names = ["Hour"]
decimal = "."
missing = []
time = { columns = ["Hour"], format = "%%s" }

[[channel]]
name = "t_air"
"""
_CHANNELS = STATION[STATION.index("[[channel]]") : STATION.index("[[horizon]]")]
_TABLES = STATION[STATION.index("[[table]]") : STATION.index("[[channel]]")]
_LAYOUTS = STATION[STATION.index("[[table.layout]]") : STATION.index("[[channel]]")]
_FORMAT = '"%Y-%m-%d %H:%M"'
_T = "channel[1] (t_air)"
_L = "table[1] (ten).layout[1]"
_DRAFT = "`fairvane draft`"

Edits = tuple[str, str] | list[tuple[str, str]]
Wrong = tuple[str, Edits, tuple[str, ...]]

WRONG: tuple[Wrong, ...] = (
    # [station]
    ("no-station", (STATION[: STATION.index("[[clock]]")], ""), ("station: is missing", _DRAFT)),
    ("station-list", ("[station]", "[[station]]"), ("station: is no table of keys", "[station]")),
    ("key-station", ("latitude = 54.5", "lattitude = 54.5"), ("station.lattitude", "nearest known: latitude)")),
    ("id", ('"hay-loft"', '"hay loft"'), ("station.id: 'hay loft' is no id", "up to 40 letters")),
    ("id-long", ('"hay-loft"', f'"{"a" * 42}"'), ("station.id", "up to 40 letters")),
    ("id-10kB", ('"hay-loft"', f'"{"a" * 10_000}"'), ("station.id", "aaaa…", "too long", "shorten")),
    ("id-escape", ('"hay-loft"', r'"\u001b[31mred\n"'), ("station.id", r"\x1b[31mred")),
    ("latitude", ("latitude = 54.5", "latitude = 95"), ("station.latitude: 95 is above 90",)),
    ("latitude-below", ("latitude = 54.5", "latitude = -90.1"), ("station.latitude: -90.1 is below -90",)),
    ("latitude-nan", ("latitude = 54.5", "latitude = nan"), ("station.latitude: nan is no finite number",)),
    ("latitude-inf", ("latitude = 54.5", "latitude = inf"), ("station.latitude: inf is no finite number",)),
    (
        "latitude-text",
        ("latitude = 54.5", 'latitude = "54.5"'),
        ("station.latitude: '54.5' is no number", "without quotes"),
    ),
    ("latitude-true", ("latitude = 54.5", "latitude = true"), ("station.latitude: true is no number",)),
    ("latitude-none", ("latitude = 54.5\n", ""), ("station.latitude: is missing",)),
    ("longitude", ("longitude = -3.1", "longitude = 200"), ("station.longitude: 200 is above 180",)),
    ("elevation", ("elevation = 120.0", "elevation = 1e9"), ("station.elevation: 1000000000.0 is above 9000",)),
    ("climate", ('"temperate"', '"temperatee"'), ("station.climate", "nearest known: temperate)", "polar")),
    (
        "log-above",
        ('"visits.csv"', '"../visits.csv"'),
        ("station.visits: '../visits.csv'", "leaves the folder"),
    ),
    (
        "log-absolute",
        ('"visits.csv"', '"/etc/passwd"'),
        ("station.visits: '/etc/passwd'", "leaves the folder"),
    ),
    # [[clock]]
    ("no-clock", ('[[clock]]\nutc_offset = "+00:00"\nminutes_ahead = 0.0\n', ""), ("clock: is missing", _DRAFT)),
    ("clock-single", ("[[clock]]", "[clock]"), ("clock: is no list of tables", "[[clock]], with two brackets")),
    ("key-clock", ("minutes_ahead", "minutes_ahed"), ("clock[1].minutes_ahed", "nearest known: minutes_ahead)")),
    ("offset", ('"+00:00"', '"+25:00"'), ("clock[1].utc_offset: '+25:00' is no offset", '"+05:30"')),
    ("offset-number", ('"+00:00"', "1"), ("clock[1].utc_offset: 1 is no text", "quotes")),
    (
        "zone",
        ('utc_offset = "+00:00"', 'time_zone = "Europe/Lundon"'),
        ("clock[1].time_zone", "nearest known: Europe/London)"),
    ),
    ("zone-path", ('utc_offset = "+00:00"', 'time_zone = "../../etc"'), ("clock[1].time_zone", "../../etc")),
    (
        "offset-and-zone",
        ('"+00:00"', '"+00:00"\ntime_zone = "Europe/London"'),
        ("clock[1]: has both utc_offset and time_zone",),
    ),
    ("neither", ('utc_offset = "+00:00"\n', ""), ("clock[1]: has neither utc_offset nor time_zone", "Europe/London")),
    ("ahead", ("minutes_ahead = 0.0", "minutes_ahead = inf"), ("clock[1].minutes_ahead: inf",)),
    ("clock-undated", ("minutes_ahead = 0.0\n", SECOND_CLOCK), ("clock: only the first", "from")),
    (
        "clock-naive",
        ("minutes_ahead = 0.0\n", f"{SECOND_CLOCK}from = 2026-03-01T00:00:00\n"),
        ("clock[2].from", "is no time with a zone", "2026-03-01T00:00:00Z"),
    ),
    (
        "clock-order",
        (
            "minutes_ahead = 0.0\n",
            f"{SECOND_CLOCK}from = 2026-03-02T00:00:00Z\n{SECOND_CLOCK[20:]}from = 2026-03-01T00:00:00Z\n",
        ),
        ("clock: clock entries stand in the order of their from", "sort them"),
    ),
    # [[table]]
    ("no-table", (_TABLES, ""), ("table: is missing", _DRAFT)),
    (
        "no-tables",
        [(_TABLES, ""), ("[station]", "table = []\n[station]")],
        ("table: is empty", "give one [[table]] at least"),
    ),
    (
        "table-text",
        [(_TABLES, ""), ("[station]", 'table = "ten"\n[station]')],
        ("table: is no list of tables", "[[table]]"),
    ),
    ("key-table", ("stray = ", "strays = "), ("table[1] (ten).strays", "nearest known: stray)")),
    ("table-id", ('id = "ten"', 'id = "10"'), ("table[1] (10).id: '10' is no id",)),
    ("table-id-twice", ('[[channel]]\nname = "t_air"\n', ANOTHER_TABLE % "TEN"), ("table id 'TEN' stands twice",)),
    (
        "kind",
        ('kind = "interval"', 'kind = "events"'),
        ("table[1] (ten).kind: 'events' is none of 'interval' or 'event'",),
    ),
    ("no-interval", ('interval = "10min"\n', ""), ("table[1] (ten): interval is missing", _DRAFT)),
    ("interval", ('"10min"', '"ten minutes"'), ("table[1] (ten).interval: 'ten minutes' is no duration", '"10min"')),
    ("interval-number", ('"10min"', "10"), ("table[1] (ten).interval: 10 is no duration",)),
    ("interval-zero", ('"10min"', '"0s"'), ("table[1] (ten).interval: '0s' is no duration",)),
    ("no-stamps", ('stamps = "end"\n', ""), ("table[1] (ten): stamps is missing", _DRAFT)),
    (
        "stamps",
        ('stamps = "end"', 'stamps = "middle"'),
        ("table[1] (ten).stamps: 'middle' is none of 'end', 'start' or 'instant'",),
    ),
    ("stray", ('stray = "30s"', 'stray = "5min"'), ("table[1] (ten): stray reaches half of the interval",)),
    # [[table.layout]]
    ("no-layout", (_LAYOUTS, ""), ("table[1] (ten).layout: is missing", _DRAFT)),
    ("key-layout", ("decimal = ", "decimals = "), (f"{_L}.decimals", "nearest known: decimal)")),
    ("no-decimal", ('decimal = "."\n', ""), (f"{_L}.decimal: is missing", _DRAFT)),
    ("decimal", ('decimal = "."', 'decimal = "·"'), (f"{_L}.decimal: '·' is none of '.' or ','",)),
    ("no-missing", ('missing = ["NAN"]\n', ""), (f"{_L}.missing: is missing", _DRAFT)),
    ("missing-text", ('missing = ["NAN"]', 'missing = "NAN"'), (f"{_L}.missing: is no list", "square brackets")),
    ("missing-number", ('missing = ["NAN"]', "missing = [-9999]"), (f"{_L}.missing[1]: -9999 is no text", "quotes")),
    ("no-time", (f'time = {{ columns = ["Stamp"], format = {_FORMAT} }}\n', ""), (f"{_L}.time: is missing", _DRAFT)),
    ("no-format", (f", format = {_FORMAT}", ""), (f"{_L}.time.format: is missing", _DRAFT)),
    ("key-time", ("format = ", "formt = "), (f"{_L}.time.formt", "nearest known: format)")),
    ("format-directive", ("%H:%M", "%H:%Q"), (f"{_L}.time.format", "unknown directive '%Q'", "%Y %y %m")),
    ("format-dateless", (_FORMAT, '"%H:%M"'), (f"{_L}.time.format", "lacks the year", "add %Y")),
    ("format-empty", (_FORMAT, '""'), (f"{_L}.time.format", "lacks the year")),
    ("time-columns", ('columns = ["Stamp"]', "columns = []"), (f"{_L}.time.columns: is empty",)),
    ("names-empty", ('names = ["Stamp", "No", "Temp"]', "names = []"), (f"{_L}: names is empty", "positions")),
    ("names-blank", ('["Stamp", "No", "Temp"]', '["Stamp", " "]'), (f"{_L}: names holds an empty text",)),
    # [[channel]]
    ("no-channel", (_CHANNELS, ""), ("channel: is missing", _DRAFT)),
    ("key-channel", ("statistic = ", "statistics = "), (f"{_T}.statistics", "nearest known: statistic)")),
    ("key-at", ("distance", "distanz"), (f"{_T}.at.distanz", "nearest known: distance)")),
    ("key-deployment", ("serial = ", "serail = "), (f"{_T}.deployment[1].serail", "nearest known: serial)")),
    ("key-10kB", ("serial = ", f"{'s' * 10_000} = "), (f"{_T}.deployment[1].ssss", "…: is no key", "certificate")),
    ("key-escape", ("serial = ", r'"a\u001b[31m\u202e" = '), (f"{_T}.deployment[1].a·[31m·: is no key",)),
    ("name", ('name = "wd"', 'name = "wd 1"'), ("channel[3] (wd 1).name: 'wd 1' is no name", "letters, digits or _")),
    ("name-10kB", ('name = "wd"', f'name = "{"w" * 10_000}"'), ("channel[3] (wwww", "too long")),
    ("name-time", ('name = "wd"', 'name = "Time"'), ("channel[3] (Time).name", "taken by the outputs", "another name")),
    ("name-all", ('name = "wd"', 'name = "all"'), ("channel[3] (all).name", "taken by the outputs")),
    ("name-verdict", ('name = "wd"', 'name = "x_verdict"'), ("channel[3] (x_verdict).name", "taken by the outputs")),
    ("name-twice", ('name = "wd"', 'name = "P"'), ("channel[3] (P): 'p' has the same name", "without regard to case")),
    (
        "channel-table",
        ('name = "wd"', 'name = "wd"\ntable = "tem"'),
        ("channel[3] (wd): there is no table 'tem'", "nearest known: ten)"),
    ),
    (
        "no-table-named",
        ('[[channel]]\nname = "t_air"\n', ANOTHER_TABLE % "hour"),
        (f"{_T}: table is missing", "ten, hour"),
    ),
    ("no-quantity", ('quantity = "air_temperature"\n', ""), (f"{_T}.quantity: is missing", _DRAFT)),
    (
        "quantity",
        ('"air_temperature"', '"air_temprature"'),
        (f"{_T}.quantity: 'air_temprature' is no", "nearest known: air_temperature)"),
    ),
    (
        "quantity-far",
        ('"air_temperature"', '"xyzzy"'),
        (f"{_T}.quantity: 'xyzzy' is no quantity", "choose from", "leaf_wetness"),
    ),
    ("no-unit", ('unit = "degC"\n', ""), (f"{_T}.unit: is missing", _DRAFT)),
    (
        "unit",
        ('unit = "degC"', 'unit = "furlow"'),
        (f"{_T}.unit: 'furlow' is not a unit of air_temperature", "nearest known"),
    ),
    (
        "unit-dimension",
        ('unit = "degC"', 'unit = "hPa"'),
        (f"{_T}.unit: 'hPa' is of another dimension", "nearest known: degC)"),
    ),
    ("no-column", ('column = "Temp"\n', ""), (f"{_T}.column: is missing", _DRAFT)),
    ("column-zero", ('column = "Temp"', "column = 0"), (f"{_T}.column: 0 is no column", "counted from 1")),
    ("column-blank", ('column = "Temp"', 'column = " "'), (f"{_T}.column: ' ' is no column",)),
    ("column-true", ('["Press", "Pressure"]', '["Press", true]'), ("channel[2] (p).column: true is no column",)),
    (
        "column-twice",
        ('column = "Dir"', 'column = "Temp"'),
        ("channel[3] (wd): column 'Temp' is channel t_air's already",),
    ),
    (
        "statistic",
        ('statistic = "mean"', 'statistic = "average"'),
        (f"{_T}.statistic: 'average' is none of 'mean'", "'counter'"),
    ),
    ("range", ("[-40.0, 60.0]", "[60.0, -40.0]"), (f"{_T}.range: [60.0, -40.0] does not rise", "smaller number first")),
    ("range-equal", ("[-40.0, 60.0]", "[60.0, 60.0]"), (f"{_T}.range: [60.0, 60.0] does not rise",)),
    ("range-nan", ("[-40.0, 60.0]", "[nan, 60.0]"), (f"{_T}.range: is no list of two numbers",)),
    ("range-inf", ("[-40.0, 60.0]", "[0.0, inf]"), (f"{_T}.range: is no list of two numbers",)),
    ("resolution", ("resolution = 0.1", "resolution = 0"), (f"{_T}.resolution: is no number above 0",)),
    (
        "resolution-order",
        ("resolution = 0.1", "resolution = [[9, 1], [5, 0.1]]"),
        (f"{_T}.resolution: does not rise by value",),
    ),
    ("resolution-text", ("resolution = 0.1", 'resolution = [[9, "x"]]'), (f"{_T}.resolution: is no number above 0",)),
    ("at", ("bearing = 90.0", "bearing = 400"), (f"{_T}.at.bearing: 400 is above 360",)),
    (
        "at-list",
        ("at = { bearing = 90.0, distance = 0.9 }", "at = [90, 1]"),
        (f"{_T}.at: is no table of keys", "curly"),
    ),
    (
        "north",
        ('unit = "degree"', 'unit = "degree"\nnorth = "magnetic"'),
        ("channel[3] (wd): north is magnetic", "declination"),
    ),
    (
        "north-of-pressure",
        ('unit = "hPa"', 'unit = "hPa"\nnorth = "magnetic"'),
        ("channel[2] (p): north is for wind_direction only",),
    ),
    ("deployment-undated", ("from = 2026-01-01T00:00:00Z\n", ""), (f"{_T}.deployment[1].from: is missing",)),
    (
        "deployment-date",
        ('serial = "HL-1"', 'calibrated = "2026"'),
        (f"{_T}.deployment[1].calibrated: '2026' is no date",),
    ),
    (
        "deployment-unit",
        ('serial = "HL-1"', 'unit = "hPa"'),
        (f"{_T}.deployment[1].unit: 'hPa' is of another dimension",),
    ),
    (
        "deployment-range",
        ('serial = "HL-1"', "range = [5, 1]"),
        (f"{_T}.deployment[1].range: [5.0, 1.0] does not rise",),
    ),
    # the rest
    ("key-top", ("[learnt]", "[learned]"), ("learned: is no key", "nearest known: learnt)")),
    ("key-horizon", ("azimuth = 90.0", "azimut = 90.0"), ("horizon[1].azimut", "nearest known: azimuth)")),
    ("horizon", ("azimuth = 90.0", "azimuth = 361"), ("horizon[1].azimuth: 361 is above 360",)),
    (
        "rules-number",
        [("[rules]\n", ""), ("[station]", "rules = 5\n[station]")],
        ("rules: is no table of keys", "[rules]"),
    ),
)

BROKEN: tuple[tuple[str, bytes, tuple[str, ...]], ...] = (
    (
        "no-equals",
        changed(("latitude = 54.5", "latitude 54.5")).encode(),
        ("line 4: is no TOML", "'='", "mend that line"),
    ),
    ("comma", changed(("latitude = 54.5", "latitude = 54,5")).encode(), ("line 4: is no TOML", "mend that line")),
    ("quote", changed(('"Hay Loft"', '"Hay Loft')).encode(), ("line 3: is no TOML", "quotation mark")),
    ("quote-at-end", f'{STATION}x = """'.encode(), (f"line {STATION.count(chr(10)) + 1}: is no TOML",)),
    (
        "key-twice",
        changed(("latitude = 54.5", "latitude = 54.5\nlatitude = 54.6")).encode(),
        ("line 5: is no TOML", "second time"),
    ),
    ("table-in-table", changed(("[learnt]", "[station]")).encode(), ("is no TOML", "twice")),
    ("digits", changed(("54.5", "9" * 5000)).encode(), ("line 4: is no TOML", "number is too long")),
    ("control", changed(("Hay Loft", "Hay\x1bLoft")).encode(), ("line 3: is no TOML", r"\x1b")),
    ("lists-deep", changed(("[learnt]", "[learnt]\nx = " + "[" * 5000 + "]" * 5000)).encode(), ("nested too deeply",)),
    (
        "tables-deep",
        changed(("[learnt]", "[learnt]\n" + ".".join("a" * 5000) + " = 1")).encode(),
        ("nested too deeply",),
    ),
    ("rules-deep", changed(("[rules]", "[rules]\n" + ".".join("a" * 30) + " = 1")).encode(), ("nested too deeply",)),
    ("latin-1", changed(("Hay Loft", "Höfle")).encode("latin-1"), ("line 3: is not UTF-8", "save it as UTF-8")),
    ("utf-16", STATION.encode("utf-16"), ("line 1: is not UTF-8", "save it as UTF-8")),
    ("empty", b"", ("is empty", _DRAFT)),
    ("comment", b"# nothing yet\n", ("is empty", _DRAFT)),
    ("table", TABLE.encode(), ("line 1: is no TOML", "is it a table?")),
    ("picture", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)), ("line 1: is not UTF-8",)),
)
"""Files that are no station file at all: their bytes, and what the one line says."""
