"""Errors: one tree, one line each, and what a terminal never gets to see."""

from __future__ import annotations

import inspect

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc import errors
from qc.errors import FairvaneError, nearest, printable

KINDS = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, FairvaneError)]
PART = st.text(max_size=300)


@pytest.mark.parametrize(
    ("text", "longest", "shown"),
    [
        ("plain", 80, "plain"),
        ("", 80, ""),
        ("Höhe 3 m² ☂ 気温", 80, "Höhe 3 m² ☂ 気温"),
        ("a\nb\r\nc\td", 80, "a·b··c·d"),
        ("\x1b[31mred\x1b]0;title\x07", 80, "·[31mred·]0;title·"),
        ("\x9b31m", 80, "·31m"),  # the one-character form of escape and bracket
        ("\u202etxt.exe\u2066\u200b\ufeff", 80, "·txt.exe···"),
        ("a\u2028b\u2029c\x85d", 80, "a·b·c·d"),
        ("\udcff\udcfe", 80, "··"),  # bytes of a path that are no text
        ("x" * 80, 80, "x" * 80),
        ("x" * 81, 80, "x" * 79 + "…"),
        ("x" * 10_000, 5, "xxxx…"),
        (3.5, 80, "3.5"),
    ],
)
def test_printable(text: object, longest: int, shown: str) -> None:
    assert printable(text, longest) == shown


@given(PART, st.integers(1, 50))
def test_printable_always_prints_and_is_never_too_long(text: str, longest: int) -> None:
    shown = printable(text, longest)
    assert shown.isprintable()
    assert len(shown) == min(len(text), longest)


@pytest.mark.parametrize(
    ("word", "known", "found"),
    [
        ("latitud", ["latitude", "longitude"], " (nearest known: latitude)"),
        ("LATITUDE", ["latitude"], " (nearest known: latitude)"),
        ("degc", ["degC", "K"], " (nearest known: degC)"),
        ("xyzzy", ["latitude"], ""),
        ("", ["latitude"], ""),
        ("latitude", [], ""),
        ("latitude" + "e" * 1_000_000, ["latitude"], ""),
    ],
)
def test_nearest(word: str, known: list[str], found: str) -> None:
    assert nearest(word, known) == found


@pytest.mark.parametrize(
    ("where", "mend", "line"),
    [
        (None, None, "is broken"),
        ("a.toml", None, "a.toml: is broken"),
        (None, "mend it", "is broken; mend it"),
        ("a.toml: line 3", "mend it", "a.toml: line 3: is broken; mend it"),
    ],
)
def test_line(where: str | None, mend: str | None, line: str) -> None:
    error = FairvaneError("is broken", where=where, mend=mend)
    assert error.line() == str(error) == line


@given(PART, st.none() | PART, st.none() | PART)
def test_every_error_is_one_line(what: str, where: str | None, mend: str | None) -> None:
    line = FairvaneError(what, where=where, mend=mend).line()
    assert line.isprintable()
    assert len(line) <= 2000


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.__name__)
def test_exit_status_is_the_one_that_the_tree_shows(kind: type[FairvaneError]) -> None:
    """The tree at the head of the module is what a reader goes by."""
    line = next(line for line in (errors.__doc__ or "").splitlines() if kind.__name__ in line.split())
    shown = line.split("exit ")[1] if "exit " in line else "2"
    assert kind.exit_code == int(shown)
    assert (kind.__doc__ or "").endswith(".") or "\n" in (kind.__doc__ or "")
