"""From table files to a station file: the way of `fairvane draft`."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from qc import units
from qc.draft import channels as ch
from qc.draft import clock as ck
from qc.draft import learnt, stamps, words
from qc.draft import table as tb
from qc.draft import values as v
from qc.draft import write as w
from qc.draft.channels import Guess, Site
from qc.draft.structure import Sheet, sheets
from qc.draft.table import Layout, Table
from qc.errors import InputError, RefusedFile, StationFileError, UsageError, printable
from qc.quantities import quantities
from qc.read.lines import load

if TYPE_CHECKING:
    from qc.station import Station

_MOST_CHANNELS = 2000  # of a station file (qc.station)


@dataclass(frozen=True)
class Draft:
    """A station file as TOML `text`, the same as a validated `station`, and what the tables could not decide."""

    text: str
    questions: list[str]
    station: Station


def draft(
    paths: Sequence[Path | str],
    latitude: float,
    longitude: float,
    elevation: float,
    station_id: str | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Draft:
    """Propose a station file.

    Parameters
    ----------
    paths : table files of one station, in any order.
    latitude, longitude : degrees, north and east positive.
    elevation : m above mean sea level.
    station_id : a letter and up to 40 letters, digits, `_` or `-`; left out, made from the first file's name.
    progress : called with files done and files in all.

    Returns
    -------
    Draft. Every guess that is not sure stands there as a comment `# not sure: ...`; the same rows give the same text.

    Raises
    ------
    UsageError
        for coordinates, a height or an id that cannot be.
    InputError
        where no file could be read, or none has rows with a time stamp.
    """
    site = _site(latitude, longitude, elevation)
    if station_id is not None and not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,40}", station_id):
        raise UsageError(
            f"'{printable(station_id, 50)}' is no station id",
            where="--id",
            mend="a letter and then up to 40 letters, digits, _ or -",
        )
    ordered = sorted({Path(p) for p in paths})
    if not ordered:
        raise InputError("no table file was given", mend="give one or more files")
    found, told = _read(ordered, progress)
    all_layouts, untimed = tb.layouts(found)
    told += untimed
    if not all_layouts:
        raise InputError("no column of time stamps found", where=printable(ordered[0], 300), mend=_NO_TIME)
    tb.settle_time(all_layouts, _month_first_country(site))
    for one in all_layouts:
        tb.settle_rows(one)
    all_layouts = [one for one in all_layouts if len(one.local)]
    if not all_layouts:
        raise InputError("no row with a time stamp that can be read", where=printable(ordered[0], 300), mend=_NO_TIME)
    all_layouts, unknowable = tb.distinct(all_layouts)
    told += unknowable
    tables = tb.tables(all_layouts)
    imperial = ch.imperial([c for one in all_layouts for c in one.columns])
    guesses: dict[str, list[Guess]] = {}
    for table in tables:
        tb.find_counter(table)
        guesses[table.id] = _guesses(table, site, imperial)
    if not imperial and any(
        g.unit in ("degF", "inHg", "in") and not g.unit_given and g.quantity != "other"
        for t in tables
        for g in guesses[t.id]
    ):
        guesses = {table.id: _guesses(table, site, True) for table in tables}
    if not any(guesses.values()):
        raise InputError(
            "no column of numbers found beside the time stamps", where=printable(ordered[0], 300), mend="is it a table?"
        )
    banner = [line for s in found for line in s.banner]
    clock = ck.decide(tables, guesses, site, banner)
    for table in tables:
        _light(guesses[table.id], table, clock, site)
    everyone = [g for t in tables for g in guesses[t.id]][:_MOST_CHANNELS]
    ch.rename(everyone)
    for table in tables:
        ch.devices(guesses[table.id])
    return _written(ordered, site, station_id, tables, guesses, everyone, clock, banner, told)


_NO_TIME = "a table needs a column of dates and times (or date and time in columns of their own) and rows below it"


def _site(latitude: float, longitude: float, elevation: float) -> Site:
    for name, value, low, high in (
        ("latitude", latitude, -90, 90), ("longitude", longitude, -180, 180), ("elevation", elevation, -450, 9000)
    ):  # fmt: skip
        if not (isinstance(value, int | float) and math.isfinite(value) and low <= value <= high):
            unit = "m" if name == "elevation" else "degrees"
            raise UsageError(
                f"{printable(value, 20)} is out of range", where=f"--{name}", mend=f"give {low} to {high} {unit}"
            )
    return Site(float(latitude), float(longitude), float(elevation))


def _month_first_country(site: Site) -> bool:
    """Where dates are written month first: the United States, about (common practice, no source)."""
    return 17 <= site.latitude <= 72 and -170 <= site.longitude <= -64


def _read(ordered: Sequence[Path], progress: Callable[[int, int], None]) -> tuple[list[Sheet], list[str]]:
    out: list[Sheet] = []
    told: list[str] = []
    refused: list[RefusedFile] = []
    for number, path in enumerate(ordered, 1):
        try:
            here = sheets(load(path))
            if not here:
                told.append(f"{path.name}: no line of it looks like a row of a table")
            out += here
        except RefusedFile as error:
            refused.append(error)
            told.append(error.line())
        progress(number, len(ordered))
    if not out:
        if refused:
            raise InputError(refused[0].what, where=refused[0].where, mend=refused[0].mend)
        raise InputError("no line of it looks like a row of a table", where=printable(ordered[0], 300), mend=_NO_TIME)
    return out, told


# ---- channels of one table


def _guesses(table: Table, site: Site, imperial: bool) -> list[Guess]:
    out: list[Guess] = []
    for one in table.layouts:
        by_name = {g.column.name: g for g in out if g.column.name}
        by_place = {g.column.at: g for g in out if not g.layout.names}
        fresh: list[Guess] = []
        for column in one.columns:
            if (
                not column.cells.numeric
                or column.statistic_cell == "line counter"
                or (len(column.name) > 2 and words.is_time(column.name))
            ):
                continue
            g = ch.identify(column, one, site, table.interval_s, imperial)
            twin = by_name.get(column.name) if one.names else by_place.get(column.at)
            if twin is not None and twin.layout is not one:
                twin.also.append((one, column))
                if twin.unit != g.unit and g.unit_given and twin.unit_given and g.quantity == twin.quantity:
                    twin.doubts.append(
                        f"its unit is {twin.unit} in one layout and {g.unit} in another: name the column anew, or add "
                        f"deployments"
                    )
            else:
                fresh.append(g)
        ch.compare([*fresh], site, table.interval_s)
        out += _renamed(out, fresh, one)
    for g in out:
        _markers(g, out, table)
        if g.quantity != "other":
            values = np.concatenate([g.column.cells.clean, *(c.cells.clean for _, c in g.also)])
            shift = units.conversion(g.quantity, g.unit, table.interval_s).shift
            if shift < -200:  # kelvin: 273.15 and whole tenths of a degree beyond
                values = np.round(values + shift, 6)
            g.resolution, why = v.resolution(values, sums=g.quantity == "precipitation" and g.statistic != "counter")
            if g.resolution is None:
                g.notes.append(f"no resolution: {why}")
    return out


def _renamed(known: Sequence[Guess], fresh: list[Guess], one: Layout) -> list[Guess]:
    """Columns of a later layout that are the ones of an earlier under another name."""
    if not known:
        return fresh
    here = {c.name for c in one.columns}
    lost = [
        g
        for g in known
        if g.column.name not in here and all(layout is not one for layout, _ in g.also) and g.quantity != "other"
    ]
    out: list[Guess] = []
    for g in fresh:
        alike = [k for k in lost if (k.quantity, k.statistic) == (g.quantity, g.statistic) and _same_unit(k, g)]
        rivals = [f for f in fresh if (f.quantity, f.statistic) == (g.quantity, g.statistic)]
        if g.quantity != "other" and len(alike) == 1 and len(rivals) == 1:
            alike[0].also.append((one, g.column))
            alike[0].doubts.append(
                f"'{printable(g.column.label, 40)}' of another layout is taken for the same channel, renamed"
            )
        else:
            out.append(g)
    return out


def _same_unit(a: Guess, b: Guess) -> bool:
    try:
        x, y = (units.conversion(g.quantity, g.unit, 3600.0) for g in (a, b))
    except StationFileError:
        return False
    return (x.factor, x.offset) == (y.factor, y.offset)


def _impossible(g: Guess, value: float, interval_s: float | None) -> bool:
    if g.quantity == "other":
        return False
    low, high = ch.bounds(g.quantity)
    out = float(units.apply(np.array([value]), units.conversion(g.quantity, g.unit, interval_s))[0])
    return not low <= out <= high


def _markers(g: Guess, everyone: Sequence[Guess], table: Table) -> None:
    """Numbers of one channel that are proposed as markers, with their evidence."""
    for column in [g.column, *(c for _, c in g.also)]:
        for s in column.cells.suspects:
            coded = v.codelike(s.value)
            odd = _impossible(g, s.value, table.interval_s)
            shown = v.spelled(s.value, column.text, column.cells.values)
            evidence = f"{shown} stands {s.count} time{'s' * (s.count > 1)}, the rest runs from {s.low:g} to {s.high:g}"
            if shown in g.missing:
                continue
            if (odd and (coded or s.count >= 3)) or (
                g.quantity == "other" and coded and (s.count >= 2 or abs(s.value) >= 999)
            ):
                g.missing.append(shown)
                g.marker_doubts[s.value] = f"marker {evidence}"
            elif coded and s.count >= 2:
                g.doubts.append(f"{evidence}: a marker? It is left as a value")


def _light(guesses: Sequence[Guess], table: Table, clock: ck.Clock, site: Site) -> None:
    """Channels of light must be dark by night, and about as bright as a clear sky by day: else the name or the unit is
    doubted.

    Clear sky by Haurwitz (1945), Journal of Meteorology 2, 154: 1098 mu exp(-0.057 / mu) W/m2, from memory; PAR is
    taken for 2.0 times that.
    """
    if table.interval_s is None or table.interval_s > 7200 or not any(g.quantity in ch.SHORTWAVE for g in guesses):
        return
    from qc.physics import sun

    for g in [g for g in guesses if g.quantity in ch.SHORTWAVE]:
        local = g.layout.utc_like
        step = max(1, len(local) // 20000)
        some = local[::step]
        if g.layout.zone_s is None:
            if clock.time_zone:
                away = ck.offsets(clock.time_zone, some.astype("datetime64[D]").astype(np.int64))
                some = some - (away * 60e6).astype("timedelta64[us]")
            else:
                some = some - np.timedelta64(clock.offset_min * 60_000_000, "us")
        half = np.timedelta64(round(table.interval_s * 5e5), "us")
        side = clock.stamps.get(table.id, "end")
        middle = some - half if side == "end" else some + half if side == "start" else some
        out = g.output(table.interval_s)[::step]
        zenith = sun.position(middle, site.latitude, site.longitude, site.elevation).zenith
        night, high = (zenith > 102) & np.isfinite(out), (zenith < 65) & np.isfinite(out)
        low = float(np.median(out[night])) if int(night.sum()) >= 10 else None
        per = 2.0 if g.quantity == "par" else 1.0
        unit = quantities()[g.quantity].unit
        if low is not None and abs(low) > 30 * per:
            g.doubts.append(f"named like {g.quantity}, but {low:.0f} {unit} by night")
            g.quantity, g.resolution = "other", None
        elif g.quantity in ("global_irradiance", "par") and int(high.sum()) >= 50:
            mu = np.cos(np.radians(zenith[high]))
            reached = float(np.quantile(out[high] / (per * 1098.0 * mu * np.exp(-0.057 / mu)), 0.98))
            if not 0.65 < reached < 1.5:
                other = "" if g.unit_given else _other_unit(g, reached, table.interval_s)
                g.doubts.append(
                    f"it reaches {100 * reached:.0f} % of a clear sky at most: is the unit right, or does it stand in "
                    f"shade?{other}"
                )


def _other_unit(g: Guess, reached: float, interval_s: float) -> str:
    """Units in which a channel of light, whose unit nobody gave, would be about as bright as a clear sky."""
    now = units.conversion(g.quantity, g.unit, interval_s).factor
    fits = []
    for unit in (
        ("W/m2", "kW/m2", "kJ/m2", "MJ/m2", "J/cm2", "Wh/m2")
        if g.quantity != "par"
        else ("umol/m2/s", "mmol/m2", "mol/m2", "W/m2")
    ):
        try:
            there = reached * units.conversion(g.quantity, unit, interval_s).factor / now
        except StationFileError:
            continue
        if 0.8 < there < 1.3:
            fits.append(f"{unit} ({100 * there:.0f} %)")
    return f" It may be in {' or '.join(fits)}" if fits else ""


# ---- the text


def _written(
    ordered: Sequence[Path], site: Site, station_id: str | None, tables: Sequence[Table], guesses: dict[str,
    list[Guess]],
    everyone: Sequence[Guess], clock: ck.Clock, banner: Sequence[str], told: Sequence[str],
) -> Draft:  # fmt: skip
    from qc.station import parse

    questions: list[str] = [*told]
    out: list[str] = [
        w.comment(
            "Drafted by fairvane from tables. Read each line; what begins with `not sure` is a guess that only you "
            "can settle."
        ),
        "",
    ]

    def unsure(lines: Sequence[str], about: str) -> None:
        for line in dict.fromkeys(lines):
            out.append(w.doubt(line))
            questions.append(printable(f"{about}: {line}", 400))

    for line in told:
        out.append(w.doubt(f"not used: {line}"))
    name = station_id or _id(ordered)
    out += ["[station]", f"id = {w.text(name)}", f"name = {w.text(name)}"]
    out += [
        f"latitude = {w.number(site.latitude)}",
        f"longitude = {w.number(site.longitude)}",
        f"elevation = {w.number(site.elevation)}",
    ]
    unsure(_facts(banner, site), "station")
    climate, why = _climate(site)
    if why:
        out.append(w.doubt(why))
    out += [f"climate = {w.text(climate)}", "", "[[clock]]"]
    out += [w.comment(n) for n in clock.notes]
    unsure(clock.doubts, "clock")
    out.append(
        f"time_zone = {w.text(clock.time_zone)}"
        if clock.time_zone
        else f"utc_offset = {w.text(ck.offset(clock.offset_min))}"
    )
    for table in tables:
        out += ["", "[[table]]", f"id = {w.text(table.id)}"]
        _table(out, unsure, table, clock, guesses[table.id], alone=len(tables) == 1)
    ids = {id(g): t for t in tables for g in guesses[t.id]}
    for g in everyone:
        _channel(out, unsure, g, ids[id(g)], many=len(tables) > 1)
    _learnt(out, tables, everyone, ids, clock)
    text = "\n".join(out) + "\n"
    station = parse(text.encode("utf-8"), where="the draft")
    for line in _unread(tables, station):
        questions.append(line)
        text = w.doubt(line) + "\n" + text
    if text != "\n".join(out) + "\n":
        station = parse(text.encode("utf-8"), where="the draft")
    return Draft(text, questions, station)


def _id(ordered: Sequence[Path]) -> str:
    base = re.sub(r"[^A-Za-z0-9]+", "-", ordered[0].stem).strip("-").casefold()
    base = re.sub(r"(-?[0-9]+)+$", "", base) or base
    return base[:40] if re.match(r"[a-z]", base) else f"station-{base}"[:40].rstrip("-") if base else "station"


def _climate(site: Site) -> tuple[str, str]:
    south = abs(site.latitude)
    if south >= 66.6:
        return "polar", ""
    if south < 23.5 and site.elevation < 2500:
        return "tropical", "climate by latitude: tropical, or arid"
    if south < 36 or site.elevation >= 2500:
        return "any", "climate: latitude and height do not tell; see rules/climates"
    return "temperate", "climate by latitude: temperate, continental or arid"


_FACT = re.compile(
    r"(?i)^\W*(lat\w*|lon\w*|alt\w*|elev\w*|h[oö]he\w*|breite\w*|l[aä]nge\w*)[^:;,=\t]{0,20}[:;,=\t\s]+([+-]?[0-9]{1,"
    r"4}(?:[.,][0-9]+)?)(?![0-9])"
)


def _facts(banner: Sequence[str], site: Site) -> list[str]:
    """Coordinates before the names row that are not the ones given."""
    out = []
    for line in banner:
        found = _FACT.match(re.sub(r"[\"']", "", line))
        if not found:
            continue
        value = float(found[2].replace(",", "."))
        word = found[1].casefold()
        given, near, what = (
            (site.latitude, 0.02, "latitude") if word.startswith(("lat", "brei")) else
            (site.longitude, 0.02, "longitude") if word.startswith(("lon", "läng", "lang")) else (site.elevation, 20.0,
            "elevation")
        )  # fmt: skip
        if abs(value - given) > near and not re.search(r"[SWOE]\s*$", line.strip()):
            out.append(f"the {what} given is {given:g}, a line of the table says '{line.strip()[:50]}'")
    return list(dict.fromkeys(out))


def _table(
    out: list[str],
    unsure: Callable[[Sequence[str], str], None],
    table: Table,
    clock: ck.Clock,
    guesses: Sequence[Guess],
    *,
    alone: bool,
) -> None:
    about = f"table {table.id}"
    spacing = table.spacing
    if table.interval_s is None:
        out.append(w.comment(f"no interval: only {100 * spacing.even:.0f} % of the steps between rows are alike"))
        unsure([f"the {spacing.rows} different stamps do not follow an interval: taken for a table of events"], about)
        out.append('kind = "event"')
    else:
        intervals = sorted({i for x in table.layouts for i in x.spread})
        if len(intervals) > 1:
            shown = ", ".join(stamps.duration(i) for i in intervals)
            unsure(
                [
                    f"files of one names row have intervals of {shown}; their rows cannot be told apart: check them "
                    f"one at a time"
                ],
                about,
            )
        if spacing.even < 0.9:
            out.append(
                w.comment(
                    f"{100 * spacing.even:.0f} % of the rows follow the one before after "
                    f"{stamps.duration(table.interval_s)}"
                )
            )
        out += ['kind = "interval"', f"interval = {w.text(stamps.duration(table.interval_s))}"]
        out += [w.comment(n) for n in clock.stamp_notes[table.id]]
        unsure(clock.stamp_doubts[table.id], about)
        out.append(f"stamps = {w.text(clock.stamps[table.id])}")
        if spacing.stray_s > 0:
            unsure(
                [
                    f"{100 * spacing.off_grid:.0f} % of the stamps lie off the whole "
                    f"{stamps.duration(table.interval_s)}, by up to {spacing.stray_s:g} s"
                ],
                about,
            )
            out.append(f"stray = {w.text(stamps.duration(spacing.stray_s))}")
    if table.counter is not None:
        if table.counter_note:
            unsure([f"line counter: {table.counter_note}"], about)
        out.append(f"line_counter = {w.value(table.counter)}")
    chosen = next((x for x in table.layouts if x.select is not None), None)
    if chosen is not None and chosen.select is not None:
        at, word = chosen.select
        others = ", ".join(f"{s or '(empty)'} ({n} rows)" for s, n in chosen.select_others[:12])
        unsure([f"several stations stand in one file: {others}; the one with most rows is taken"], about)
        out.append(f"select = {{ column = {w.value(chosen.reference(at))}, equals = {w.text(word)} }}")
    guessed = [g.name for g in guesses if g.mean_guessed and g.quantity != "other"]
    if guessed:
        unsure([f"nothing says whether these are means or samples; mean is a guess: {', '.join(guessed)}"], about)
    everywhere = _shared_markers(table, guesses)
    for one in table.layouts:
        _layout(out, unsure, one, guesses, everywhere, about, alone=alone and len(table.layouts) == 1)


def _shared_markers(table: Table, guesses: Sequence[Guess]) -> list[str]:
    """Markers that no channel could hold as a value: they go into the layout, and off the channels."""
    by_value: dict[float, str] = {}
    for m in sorted({m for g in guesses for m in g.missing}, key=lambda m: (len(m), m)):
        by_value.setdefault(_value(m), m)
    out = []
    for value, word in by_value.items():
        holders = [g for g in guesses if value in map(_value, g.missing)]
        known = [g for g in guesses if g.quantity != "other"]
        plain = [
            g
            for g in guesses
            if g not in holders and g.quantity == "other" and bool((g.column.cells.values == value).any())
        ]
        many = sum(s.count for g in holders for s in g.column.cells.suspects if s.value == value) >= 3
        strong = len(holders) > 1 or (v.codelike(value) and (abs(value) >= 999 or many))
        if strong and all(_impossible(g, value, table.interval_s) for g in known) and not plain:
            out.append(word)
    taken = {_value(m) for m in out}
    for g in guesses:
        g.missing = [m for m in g.missing if _value(m) not in taken]
        g.doubts += [told for value, told in g.marker_doubts.items() if value not in taken]
    return out


def _value(marker: str) -> float:
    return float(marker.replace(",", "."))


def _layout(
    out: list[str], unsure: Callable[[Sequence[str], str], None], one: Layout, guesses: Sequence[Guess],
    shared: Sequence[str], about: str, *, alone: bool
) -> None:  # fmt: skip
    out += ["", "[[table.layout]]"]
    sheet = one.sheets[0]
    paths = sorted({s.lines.path.name for s in one.sheets})
    out.append(w.comment(f"as in {', '.join(paths[:6])}{' ...' if len(paths) > 6 else ''}"))
    if sheet.misfit:
        unsure([f"columns go by position: {sheet.misfit}"], about)
    elif not sheet.names:
        unsure(["no names row: columns go by position, and nothing says what they are"], about)
    mine = [c for c in one.columns if any(c is g.column or any(c is x for _, x in g.also) for g in guesses)]
    known = {id(c) for g in guesses if g.quantity != "other" for c in [g.column, *(x for _, x in g.also)]}
    text_columns = [
        c
        for c in one.columns
        if c not in mine and c.statistic_cell != "line counter" and not c.cells.count and c.cells.words
    ]
    left = [c for c in one.columns if c not in mine and c.statistic_cell != "line counter" and c.cells.count]
    again = [c for c in left if not c.cells.words and words.is_time(c.name)]
    mixed = [c for c in left if c not in again]
    empty = [c for c in one.columns if c not in mine and not c.cells.count and not c.cells.words]
    if text_columns or mixed:
        shown = ", ".join(
            f"'{printable(c.label, 24)}' (such as '{printable(next(iter(c.cells.words), ''), 16)}')"
            for c in [*text_columns, *mixed][:20]
        )
        out.append(w.comment(f"columns of text, no channels: {shown}"))
    if again:
        shown = ", ".join(repr(printable(c.label, 24)) for c in again[:20])
        out.append(w.comment(f"columns that tell the time again, no channels: {shown}"))
    if empty:
        out.append(
            w.comment(
                f"columns without a value, no channels: "
                f"{', '.join(repr(printable(c.label, 30)) for c in empty[:20] if c.name)}"
            )
        )
    names: list[str] = []
    if one.names:
        references = [one.reference(p) for p in one.time.columns]
        if one.select is not None:
            references.append(one.reference(one.select[0]))
        columns = sorted(mine, key=lambda c: id(c) not in known)
        if alone:
            references += [one.reference(c.at) for c in columns[:3]]
        else:  # every name, so that no other layout fits as well
            references += [one.reference(p) for p in range(len(one.names))]
        names = list(dict.fromkeys(r for r in references if isinstance(r, str)))
        if not names:
            names = [n for n in one.names if n and len(n) <= 400][:3]
    out.append(f"names = {w.value(names)}")
    if one.decimal_note:
        unsure([one.decimal_note], about)
    if one.unread > 0.01 * (one.unread + len(one.local)):
        unsure([f"{one.unread} rows have no time that reads as '{one.format}'"], about)
    out.append(f"decimal = {w.text(one.decimal)}")
    found: dict[str, int] = {}
    strange: dict[str, int] = {}
    for c in mine:
        for word, n in c.cells.marker_words.items():
            found[word] = found.get(word, 0) + n
        for word, n in c.cells.strange_words.items():
            strange[word] = strange.get(word, 0) + n
    for word in shared:
        value = _value(word)
        holders = [c for c in mine if bool((c.cells.values == value).any())]
        count = sum(int((c.cells.values == value).sum()) for c in holders)
        where = ", ".join(printable(c.label, 24) for c in holders[:6])
        if count:
            unsure([f"marker {word} stands {count} times, in {where}: far from all other values there"], about)
    if found:
        out.append(
            w.comment(
                "words where a number should stand: "
                + ", ".join(f"{printable(k, 12)} {n} times" for k, n in sorted(found.items())[:12])
            )
        )
    if strange:
        listed = ", ".join(
            f"'{printable(k, 16)}' {n} times" for k, n in sorted(strange.items(), key=lambda i: (-i[1], i[0]))[:8]
        )
        unsure([f"cells of number columns that are no number and no known marker, left unreadable: {listed}"], about)
    words_found = sorted({k.casefold(): k for k in sorted(found, reverse=True)}.values())
    if {"TS", "RN"} <= set(sheet.units) and "NAN" not in map(str.upper, words_found):
        out.append(w.doubt("NAN stands in none of these rows, but loggers with a units row of TS, RN write it"))
        words_found.append("NAN")
    out.append(w.comment("only markers that stand in these files can be known from them"))
    out.append(f"missing = {w.value(['', *words_found, *shared])}")
    out += [w.comment(f"time: {n}") for n in one.format_notes]
    if one.format_doubt:
        unsure([f"the stamps read as '{one.format}' or as '{one.format_doubt[0]}' alike: day or month first?"], about)
    columns_value = [one.reference(p) for p in one.time.columns]
    out.append(f"time = {{ columns = {w.value(columns_value)}, format = {w.text(one.format)} }}")


def _channel(
    out: list[str], unsure: Callable[[Sequence[str], str], None], g: Guess, table: Table, *, many: bool
) -> None:
    out += ["", "[[channel]]"]
    label = printable(g.column.label, 60)
    unsure(g.doubts, f"channel {g.name} ({label})")
    out += [w.comment(n) for n in dict.fromkeys(g.notes)]
    out.append(f"name = {w.text(g.name)}")
    if many:
        out.append(f"table = {w.text(table.id)}")
    out.append(f"quantity = {w.text(g.quantity)}")
    references: list[str | int] = list(
        dict.fromkeys([g.layout.reference(g.column.at), *(x.reference(c.at) for x, c in g.also)])
    )
    out.append(f"column = {w.value(references[0] if len(references) == 1 else references)}")
    out.append(f"unit = {w.text(_fit_unit(g, table))}")
    if g.missing:
        out.append(f"missing = {w.value(g.missing)}")
    if g.statistic:
        out.append(f"statistic = {w.text(g.statistic)}")
    if g.resolution is not None and g.quantity != "other":
        out.append(f"resolution = {w.value(g.resolution)}")
    if g.device:
        out.append(f"device = {w.text(g.device)}")


def _fit_unit(g: Guess, table: Table) -> str:
    try:
        units.conversion(g.quantity, g.unit, table.interval_s)
    except StationFileError:
        return "1"
    return g.unit or "1"


def _learnt(
    out: list[str], tables: Sequence[Table], everyone: Sequence[Guess], ids: dict[int, Table], clock: ck.Clock
) -> None:
    out += [
        "",
        w.comment("What these tables show of each channel, in the units of the outputs; date is that of the last row."),
        "[learnt]",
    ]
    out.append(f"date = {learnt.date(tables)}")
    rows: dict[str, int] = {}
    sums: dict[str, tuple[str, str]] = {}
    for table in tables:
        for one in table.layouts:
            for path, n in one.rows_of.items():
                rows[path] = rows.get(path, 0) + n
            for s in one.sheets:
                sums[str(s.lines.path)] = (s.lines.path.name, s.lines.sha256)
    listed = sorted((name, sha, rows.get(path, 0)) for path, (name, sha) in sums.items())
    out.append("files = [")
    out += [f"  {{ name = {w.text(name)}, sha256 = {w.text(sha)}, rows = {n} }}," for name, sha, n in listed]
    out.append("]")
    for g in everyone:
        if g.quantity == "other":
            continue
        table = ids[id(g)]
        found = learnt.channel(g, table)
        if g.resolution is not None:
            found["resolution"] = g.resolution
        out += ["", f"[learnt.channel.{g.name}]"] + [f"{k} = {w.value(x)}" for k, x in found.items()]


_TRIED_LINES = 400  # lines of each file that are read with the draft, to see that it works (judgement)


def _unread(tables: Sequence[Table], station: Station) -> list[str]:
    """Files that the drafted station file would refuse: told, never hidden."""
    from qc.read import file as file_
    from qc.read.layout import sections
    from qc.read.lines import from_bytes

    out = []
    found = {str(s.lines.path): s for t in tables for one in t.layouts for s in one.sheets}
    for sheet in found.values():
        lines, name = sheet.lines, sheet.lines.path.name
        stop = min(lines.count, int(sheet.line[0]) + _TRIED_LINES) if len(sheet.line) else lines.count
        try:
            _, unfit = sections(lines, station)
            out += [printable(f"{name}: {x.reason}", 400) for x in unfit[:1]]
            head = file_.read(from_bytes(lines.data[: lines.start(stop)], name), station)
            rows = sum(len(r.line) for r in head.rows)
            if not rows and not any(one.select for t in tables for one in t.layouts):
                why = f": {head.rejects[0].reason}" if head.rejects else ""
                out.append(printable(f"{name} does not read with this station file: no row could be read{why}", 400))
        except RefusedFile as error:
            out.append(printable(f"{name} does not read with this station file: {error.what}", 400))
    return list(dict.fromkeys(out))
