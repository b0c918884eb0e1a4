"""From the unit of a station file to the unit of the outputs.

Usual spellings are data in `rules/units.toml`, with exact factors; the units library (pint, as MetPy sets it up) is
loaded only for the rest.
"""

from __future__ import annotations

import math
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.errors import StationFileError, nearest, printable
from qc.places import folder
from qc.quantities import Quantity, quantities, quantity

LONGEST = 40  # characters of a unit; judgement: the longest spelling in use has under 30
Over = Literal["", "divides", "multiplies"]


@dataclass(frozen=True, slots=True)
class Conversion:
    """value_out = (value_in + shift) * numerator / divisor.

    In this form, not as factor and offset, because numerator and divisor are then whole and the result has the digits
    that pencil and paper give: 36 km/h is 10 m/s, 3600 kJ/m2 in an hour is 1000 W/m2, 68 degF is 20 degC, 3 tips of
    0.1 mm are 0.3 mm. `unit` is the spelling as written; `amount`: the table's interval divided; `rate`: it multiplied.
    """

    unit: str
    numerator: float = 1.0
    divisor: float = 1.0
    shift: float = 0.0
    amount: bool = False
    rate: bool = False

    @property
    def factor(self) -> float:
        """Output unit per unit of the station file."""
        return self.numerator / self.divisor

    @property
    def offset(self) -> float:
        """Output value of a zero in the station file's unit: value_out = value_in * factor + offset."""
        return self.shift * self.numerator / self.divisor

    @property
    def identity(self) -> bool:
        """True where values stay as they are, digit for digit."""
        return self.numerator == self.divisor and self.shift == 0.0


def apply(values: ArrayLike, conversion: Conversion) -> NDArray[np.float64]:
    """Values (any shape, in the station file's unit) in the unit of the outputs.

    NaN stays NaN; a value beyond what a float holds becomes infinite; the array itself comes back where nothing is to
    be converted. Where a number of at most nine decimals lies within the rounding error of the arithmetic, it is that
    number: 280.05 K is 6.9 degC, not 6.900000000000034. Each value is taken by itself, so a record may be cut anywhere.
    """
    return _convert(np.asarray(values, dtype=np.float64), conversion)


def apply_scale(values: ArrayLike, conversion: Conversion) -> NDArray[np.float64]:
    """Differences (resolutions, steps, standard deviations) in the unit of the outputs: factor without offset."""
    return _convert(np.asarray(values, dtype=np.float64), replace(conversion, shift=0.0))


def conversion(quantity: str, unit: str, interval_s: float | None = None, *, where: str | None = None) -> Conversion:
    """How values of `quantity` in the spelling `unit` become values in the quantity's output unit.

    `interval_s` (seconds) is the table's interval; amounts and rates need it. `where` (file, key) goes before the
    error. Raises StationFileError for an unknown spelling, a unit of another dimension, or a missing interval.
    """
    try:
        return _conversion(quantity, unit, None if interval_s is None else float(interval_s))
    except StationFileError as error:
        if where is None:
            raise
        raise StationFileError(error.what, where=where, mend=error.mend) from None


def spellings(quantity: str) -> list[str]:
    """The known spellings of units of `quantity`, as a person writes them, the output unit first; none for `other`."""
    output_unit = quantities()[quantity].unit
    known = dict.fromkeys(text for unit in _entries(quantity) for text in unit.spellings if text)
    return sorted(known, key=lambda text: text != output_unit)


def guess_quantities_for_unit(unit: str) -> list[str]:
    """The quantities for which `unit` (with or without a factor) is a known spelling; none for an empty text."""
    if _unfit(unit) or not unit.strip():
        return []
    rest = _split(unit.strip())[1]
    return [name for name in quantities() if _spelled(name, unit) or (rest and _spelled(name, rest))]


# ---- arithmetic

_DECIMALS = 9


def _convert(values: NDArray[np.float64], c: Conversion) -> NDArray[np.float64]:
    if c.numerator == c.divisor and c.shift == 0.0:
        return values
    with np.errstate(over="ignore", invalid="ignore"):
        out = (values + c.shift) * c.numerator / c.divisor
        # four roundings at most, the first (of value and shift) at the size of the larger of the two
        error = 4 * np.finfo(np.float64).eps * np.maximum(np.abs(values), abs(c.shift)) * c.factor
        short = np.round(out, _DECIMALS)
        return np.where((np.abs(short - out) <= error) & (np.abs(out) < 1e6), short, out)


# ---- spellings


@dataclass(frozen=True, slots=True)
class _Unit:
    """One entry of `rules/units.toml`: out = (value + shift) * factor, with the interval where `over` says so."""

    factor: Fraction
    shift: Fraction = Fraction(0)
    over: Over = ""
    spellings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Book:
    """`rules/units.toml`: entries by quantity (`of`) and by output unit (`to`); mends by quantity (`refuse`)."""

    of: Mapping[str, tuple[_Unit, ...]]
    to: Mapping[str, tuple[_Unit, ...]]
    refuse: Mapping[str, Mapping[str, str]]


@cache
def _book() -> _Book:
    with (folder("rules") / "units.toml").open("rb") as file:
        tables = tomllib.load(file)

    def units(section: Mapping[str, Iterable[Mapping[str, Any]]]) -> Mapping[str, tuple[_Unit, ...]]:
        return MappingProxyType({name: tuple(map(_entry, entries)) for name, entries in section.items()})

    refuse = {
        name: MappingProxyType({fold(text): entry["mend"] for entry in entries for text in entry["spellings"]})
        for name, entries in tables["refuse"].items()
    }
    return _Book(of=units(tables["of"]), to=units(tables["to"]), refuse=MappingProxyType(refuse))


def _entry(table: Mapping[str, Any]) -> _Unit:
    shift = Fraction(table.get("shift", "0"))
    return _Unit(_fraction(table["factor"]), shift, table.get("interval", ""), tuple(table["spellings"]))


def _fraction(text: str) -> Fraction:
    """An exact number from a decimal or a fraction of decimals: `25.4/3600`."""
    above, _, below = text.partition("/")
    return Fraction(above) / Fraction(below or "1")


_OVER_OF: Mapping[str, tuple[Over, ...]] = {"level": ("",), "flux": ("", "divides"), "amount": ("", "multiplies")}


@cache
def _entries(name: str) -> tuple[_Unit, ...]:
    """The entries for a quantity, its own first; only those whose use of the interval suits its kind."""
    q, book = quantity(name), _book()
    allowed = _OVER_OF.get(q.kind, ())
    return tuple(u for u in (*book.of.get(name, ()), *book.to.get(q.unit, ())) if u.over in allowed)


@cache
def _by_fold(name: str) -> Mapping[str, _Unit]:
    table: dict[str, _Unit] = {}
    for unit in _entries(name):
        for text in unit.spellings:
            table.setdefault(fold(text), unit)
    return MappingProxyType(table)


def _spelled(name: str, text: str) -> _Unit | None:
    # a lone `?` says that somebody did not know the unit: no degree sign is made of it
    return None if text and set(text) <= set("? ") else _by_fold(name).get(fold(text))


_DEGREE_SIGNS = str.maketrans(dict.fromkeys("?º˚∘\ufffd", "°"))  # what becomes of a degree sign, or of any sign lost
_MINUS_SIGNS = str.maketrans(dict.fromkeys("‐‑‒–—−", "-"))
_MOJIBAKE = re.compile("Â(?=[°º²³µ])")  # UTF-8 read as Latin-1
_PER = re.compile(r"\bper\b")
_BRACKETS = re.compile(r"\(([^()\[\]{}]*)\)|\[([^()\[\]{}]*)\]|\{([^()\[\]{}]*)\}")  # a pair with none inside
_SKIPPED = re.compile(r"[\s_*^·⋅]+|\.(?![0-9])")


def _plain(text: str) -> str:
    """Compatibility forms undone: `²` is `2`, `⁻¹` is `-1`, `℃` is `°C`, either micro sign is `u`."""
    text = unicodedata.normalize("NFKC", _MOJIBAKE.sub("", text).translate(_DEGREE_SIGNS))
    return text.translate(_MINUS_SIGNS).replace("μ", "u")


def fold(text: str) -> str:
    """The key of a spelling: without case, blanks, brackets, powers' signs; see the head of `rules/units.toml`."""
    text = _BRACKETS.sub(lambda pair: pair[pair.lastindex or 0], _plain(text).casefold())
    return _SKIPPED.sub("", _PER.sub("/", text))


# ---- one unit

_FACTOR = re.compile(r"((?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?)\s*[*·×]?\s*(?=[^\s0-9.*·×/^+-])")


def _split(text: str) -> tuple[Fraction, str]:
    """A leading factor, and the rest: `0.254 mm` is 127/500 and `mm`. No rest where there is no factor above zero."""
    found = _FACTOR.match(text)
    if not found:
        return Fraction(1), ""
    number = Fraction(found[1])
    return (number, text[found.end() :]) if number > 0 else (Fraction(1), "")


def _unfit(text: str, longest: int = LONGEST) -> bool:
    """True for what no parser shall see: too long, or with control, direction or unassigned characters."""
    return len(text) > longest or any(unicodedata.category(c)[0] == "C" for c in text)


@lru_cache(maxsize=1024)
def _conversion(name: str, text: str, interval_s: float | None) -> Conversion:
    q = quantity(name)
    longest = 2 * LONGEST if q.kind == "any" else LONGEST
    if _unfit(text, longest):
        shown = "".join(c if c.isprintable() else "·" for c in text[: LONGEST + 1])
        raise StationFileError(
            f"'{printable(shown, LONGEST)}' is no unit: it has over {longest} characters, or some that do not print",
            mend=f"write a unit such as '{q.unit}'" if q.unit else "shorten it",
        )
    if q.kind == "any":
        return Conversion(unit=text)
    unit = _known(q, text.strip())
    factor, shift = unit.factor, unit.shift
    if unit.over:
        seconds = _seconds(q, text, unit.over, interval_s)
        factor = factor / seconds if unit.over == "divides" else factor * seconds
    return Conversion(
        unit=text,
        numerator=float(factor.numerator),
        divisor=float(factor.denominator),
        shift=float(shift),
        amount=unit.over == "divides",
        rate=unit.over == "multiplies",
    )


def _seconds(q: Quantity, text: str, over: Over, interval_s: float | None) -> Fraction:
    what = "an amount over an interval" if over == "divides" else "a rate"
    said = f"'{printable(text, LONGEST)}' is {what}, and {q.name} is written in {q.unit}"
    if interval_s is None:
        raise StationFileError(f"{said}: the table has no interval", mend="give the table's interval, or another unit")
    if not (math.isfinite(interval_s) and interval_s > 0):
        raise StationFileError(f"{said}: an interval of {interval_s:g} s cannot be used", mend="give one above zero")
    return Fraction(interval_s)


def _known(q: Quantity, text: str) -> _Unit:
    """The unit that `text` spells, its factor taken in; raises StationFileError."""
    number, rest = _split(text)
    for size, spelled in [(Fraction(1), text), (number, rest)][: 2 if rest else 1]:
        mend = _book().refuse.get(q.name, {}).get(fold(spelled))
        if mend is not None:
            raise StationFileError(f"'{printable(text, LONGEST)}' is not a unit of {q.name} ({q.unit})", mend=mend)
        if unit := _spelled(q.name, spelled):
            return _scaled(unit, size)
    return _scaled(_from_library(q, text, rest or text), number)


def _scaled(unit: _Unit, size: Fraction) -> _Unit:
    """The unit for values counted in `size` of it: (value * size + shift) * factor."""
    return replace(unit, factor=unit.factor * size, shift=unit.shift / size)


# ---- the units library

# Products and quotients of words with one-digit powers, with at most one level of brackets: nothing that could be
# evaluated as anything else, and no towers of powers.
_WORD = r"(?:[A-Za-z_]+|%|°)(?:(?:\^|\*\*)?-?[0-9])?"
_PRODUCT = rf"{_WORD}(?:(?: ?[*/·.] ?| ){_WORD})*"
_SAFE = re.compile(rf"(?:{_PRODUCT}|\({_PRODUCT}\))(?: ?[*/·] ?(?:{_PRODUCT}|\({_PRODUCT}\)))?")


def _from_library(q: Quantity, text: str, spelled: str) -> _Unit:
    plain = _plain(spelled)
    if "?" in spelled or "\ufffd" in spelled or not _SAFE.fullmatch(plain):
        raise _refused(q, text, "is not a unit of")
    return _library_unit(q, text, plain.replace("·", "*").replace(".", "*").replace("^", "**"))


def _library_unit(q: Quantity, text: str, expression: str) -> _Unit:
    from metpy.units import units as registry

    target = registry.parse_units(q.dimension)
    # What the table's interval may do to the unit, and what the unit must then come to.
    ways: dict[str, dict[Over, Any]] = {
        "level": {"": target},
        "flux": {"": target, "divides": target * registry.second},
        "amount": {"": target, "multiplies": target / registry.second},
    }
    try:
        unit = registry.parse_units(expression)
        base = _base(registry, unit)
        for over, wanted in ways[q.kind].items():
            if base == _base(registry, wanted):
                zero, far = (float(registry.Quantity(x, unit).to(wanted).magnitude) for x in (0.0, 1000.0))
                factor = _whole(Fraction(far - zero) / 1000)
                return _Unit(factor, _whole(Fraction(zero) / factor), over)
    except Exception as error:  # the library's own errors and those of its tokenizer have no common base
        raise _refused(q, text, "is not a unit of") from error
    raise _refused(q, text, "is of another dimension than")


def _base(registry: Any, unit: Any) -> Any:
    """Base units, not dimensions: the library calls angles, bytes and counts dimensionless too."""
    return registry.Quantity(1.0, unit).to_base_units().units


def _whole(number: Fraction) -> Fraction:
    """The fraction of small whole numbers that a float stands for, where there is one."""
    near = number.limit_denominator(10**6)
    return near if abs(near - number) <= abs(number) * Fraction(1, 10**15) else number


def _refused(q: Quantity, text: str, why: str) -> StationFileError:
    known = spellings(q.name)
    hint = nearest(text, known) or f" (nearest known: {q.unit})"
    return StationFileError(f"'{printable(text, LONGEST)}' {why} {q.name} ({q.unit}){hint}")
