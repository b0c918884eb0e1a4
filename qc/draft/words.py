"""What the words of a header mean: quantities, statistics, time and units, by the patterns of `rules/names.toml`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from qc import units
from qc.places import folder

_NO_UNIT_LAST = frozenset(
    [
        "rad",
        "rads",
        "grad",
        "in",
        "ins",
        "h",
        "hr",
        "hrs",
        "hour",
        "hours",
        "min",
        "mins",
        "minute",
        "minutes",
        "s",
        "sec",
        "secs",
        "m",
        "day",
        "days",
        "1",
        "rh",
        "none",
        "ratio",
        "fraction",
        "point",
        "points",
    ]
)
"""Last words of names that are spelled like units and are none there: `Solar Rad`, `Temp in`, `Wind 10 min`
(judgement).
"""
_LONGEST = 200  # characters of a name that are looked at: no name says more in what follows (judgement)


@dataclass(frozen=True)
class Rule:
    """One rule of `rules/names.toml`: the quantity that a name means where the pattern is found in it."""

    quantity: str
    pattern: re.Pattern[str]
    short: bool
    why: str


@cache
def book() -> Mapping[str, Any]:
    """`rules/names.toml` as it stands."""
    with (folder("rules") / "names.toml").open("rb") as file:
        return tomllib.load(file)


@cache
def _rules() -> tuple[Rule, ...]:
    out = []
    for entry in book()["rule"]:
        for key, short in (("words", False), ("short", True)):
            if key in entry:
                start = "" if short else "(?<![a-z])"
                pattern = re.compile("|".join(w[1:] if w.startswith("~") else start + w for w in entry[key]))
                out.append(Rule(entry["quantity"], pattern, short, entry.get("why", "")))
    # a long word anywhere is worth more than a letter or two: all long rules come first
    return tuple(sorted(out, key=lambda r: r.short))


@lru_cache(maxsize=8192)
def plain(name: str) -> str:
    """A name in small letters without accents, cut into its words, then the same not cut at capitals and digits."""
    text = unicodedata.normalize("NFKD", name[:_LONGEST].replace("ß", "ss").replace("ł", "l").replace("Ł", "L"))
    text = text.replace("ø", "o").replace("Ø", "O").replace("æ", "ae").replace("Æ", "AE")
    text = "".join(x for x in text if not unicodedata.combining(x))
    text = text.replace("↓", " down ").replace("↑", " up ")
    text = re.sub(r"(?i)[øö]", "o", text)
    cut = re.sub(
        r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])", " ", text
    )
    both = [" ".join(re.findall(r"[^\W_]+|%", t.casefold())) for t in (cut, text)]
    return " " + " | ".join(dict.fromkeys(both)) + " "


@lru_cache(maxsize=8192)
def meanings(name: str) -> tuple[Rule, ...]:
    """The rules whose pattern the name holds, the first the likeliest."""
    text = plain(name)
    bare = _bare(name)
    return tuple(r for r in _rules() if (r.pattern.fullmatch(bare) if r.short else r.pattern.search(text)))


def _bare(name: str) -> str:
    """A name without its words of statistics: what a letter or two must be alone in."""
    pieces = plain(name).split("|")[0].split()
    return " ".join(x for x in pieces if statistic_of(x) is None)


def known(name: str) -> bool:
    """Whether any word of a name is known."""
    return bool(name) and (is_time(name) or bool(meanings(name)))


@cache
def _patterns(section: str) -> tuple[tuple[str, re.Pattern[str]], ...]:
    return tuple((key, re.compile("|".join(words))) for key, words in book()[section].items())


@lru_cache(maxsize=8192)
def statistic_of(word: str) -> str | None:
    """The statistic that a cell of a statistics row names: `Avg`, `Smp`, `Tot` ..."""
    texts = [t.strip() for t in plain(word).split("|")]
    return next((key for key, pattern in _patterns("statistics_row") if any(pattern.fullmatch(t) for t in texts)), None)


@lru_cache(maxsize=8192)
def statistic_in(name: str) -> str | None:
    """The statistic that a word within a name tells."""
    text = plain(name)
    return next((key for key, pattern in _patterns("statistics_word") if pattern.search(text)), None)


def is_time(name: str) -> bool:
    """Whether a name is one of a column of time."""
    return time_part(name) is not None


@lru_cache(maxsize=8192)
def time_part(name: str) -> str | None:
    """`stamp`, `date`, `clock`, `year`, `month`, `day`, `doy`, `hour`, `minute` or `second`; None for other names."""
    text = plain(re.sub(r"[(\[{].*?[)\]}]", " ", name)).split("|")[0].strip()
    return next((key for key, pattern in _patterns("time") if pattern.fullmatch(text)), None)


@lru_cache(maxsize=8192)
def is_unit(text: str) -> bool:
    """Whether a cell of a header is a unit, or what stands in its place in a units row."""
    bare = text.strip("()[]{} ")
    if bare.casefold() in book()["unit_row"]["words"]:
        return True
    return bool(units.guess_quantities_for_unit(bare)) and bare not in ("T", "P", "RH")


@lru_cache(maxsize=8192)
def unit_in(name: str) -> tuple[str, str]:
    """The unit within a name and the rest of the name: `T (degC)`, `Rain [mm]`, `AirTemp_C`, `Wind, m/s`; empty where
    none.
    """
    name = name[:_LONGEST]
    if name.casefold() in book()["unit_of_name"]:
        return str(book()["unit_of_name"][name.casefold()]), name
    for open_, close in ("()", "[]", "{}"):
        end = name.rfind(close)
        if end < 0:
            continue
        depth = 0
        for at in range(end, -1, -1):
            depth += (name[at] == close) - (name[at] == open_)
            if depth == 0:
                inside = name[at + 1 : end].strip()
                if inside and (units.guess_quantities_for_unit(inside) or _looks_like_unit(inside)):
                    return inside, (name[:at] + " " + name[end + 1 :]).strip()
                break
    for pattern in (r"^(.*?)[,;:/|-]\s+([^,;:|]{1,16})$", r"^(.+)\s+(?:in\s+)?(\S{1,12})$", r"^(.+?)/(\S{1,8})$"):
        found = re.match(pattern, name)
        if found and units.guess_quantities_for_unit(found[2].strip()) and not found[2].strip().isdigit():
            if (len(found[2].strip()) == 1 and found[2] not in "%FCK°") or found[2].strip(
                " ."
            ).casefold() in _NO_UNIT_LAST:
                continue
            return found[2].strip(), found[1]
    parts = re.split(r"[_.\s]+", name)
    spelled = {k.casefold(): v for k, v in book()["unit_suffix"].items()}
    for at in range(len(parts) - 1, 0, -1):
        if parts[at].casefold() in spelled:
            unit, rest = spelled[parts[at].casefold()], " ".join(parts[:at] + parts[at + 1 :])
            fits = {r.quantity for r in meanings(rest)[:4]} & set(units.guess_quantities_for_unit(unit))
            return (unit, rest) if fits else ("", name)
        if statistic_of(parts[at]) is None and not parts[at].isdigit():
            break
    return "", name


def _looks_like_unit(text: str) -> bool:
    """A unit that no quantity has, but that is one: `ppm`, `g/kg`, `kg/m3`."""
    return (
        len(text) <= 16
        and bool(re.fullmatch(r"[A-Za-zµμ%°]{1,8}([ ./*^-]*(m|s|h|kg|g|mol|min|d|cm|m2|m3|[0-9-]+))*", text))
        and ("/" in text or "-1" in text or "-2" in text or text.casefold() in book()["unit_row"]["others"])
    )


def zone_in(text: str) -> int | None:
    """Minutes east of UTC that a name or a cell tells (`Time (utc)`, `UTC+8`, `CET`); None where it tells none."""
    found = re.search(r"(?i)(?<![a-z])(?:utc|gmt|zulu)\s*(?:([+-−])\s*([0-9]{1,2})(?::?([0-5][0-9]))?)?(?![a-z])", text)
    if found:
        size = int(found[2] or 0) * 60 + int(found[3] or 0)
        return None if size > 840 else -size if found[1] in ("-", "−") else size
    for word in re.findall(r"(?<![A-Za-z])[A-Z]{3,5}(?![A-Za-z])", text):
        if word in book()["zones"]:
            return int(book()["zones"][word])
    return None
