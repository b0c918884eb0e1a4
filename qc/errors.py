"""Everything that can go wrong, as one tree.

    FairvaneError
    ├── UsageError            an argument that cannot be used                      exit 2
    ├── StationFileError      a station file that cannot be used                   exit 2
    │   ├── RulesError        a rules file, or an override, that cannot be used    exit 2
    │   └── LogError          a log of the station that cannot be used             exit 2
    ├── InputError            no input could be used                               exit 2
    ├── RefusedFile           one table file could not be read; the rest was       exit 1
    │   └── UnknownLayout     its names row fits no layout of the station file     exit 1
    └── OutputError           an output could not be written, or must not be       exit 2

Each message is one line that says what is wrong, where (file, line or key) and how to mend it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LONGEST_WORD = 80  # characters that are compared; judgement: no name that Fairvane knows is longer


def printable(text: object, longest: int = 80) -> str:
    """Text from a file, fit for one line of a terminal: what does not print becomes `·`, and it is cut at `longest`."""
    clean = "".join(c if c.isprintable() else "·" for c in str(text)[: longest + 1])
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"


def nearest(word: str, known: Iterable[str]) -> str:
    """` (nearest known: ...)` where a known word is close to `word`, else an empty string."""
    by_fold = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(word[:_LONGEST_WORD].casefold(), list(by_fold), n=1, cutoff=0.5)
    return f" (nearest known: {by_fold[close[0]]})" if close else ""


class FairvaneError(Exception):
    """Base of all errors that a user can mend."""

    exit_code = 2

    def __init__(self, what: str, *, where: str | None = None, mend: str | None = None) -> None:
        self.what, self.where, self.mend = what, where, mend
        super().__init__(self.line())

    def line(self) -> str:
        """The error in one line: where, what, how to mend."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        text = f"{text}; {self.mend}" if self.mend else text
        return printable(text, longest=2000)


class UsageError(FairvaneError):
    """An argument that cannot be used."""


class StationFileError(FairvaneError):
    """A station file that cannot be used."""


class RulesError(StationFileError):
    """A rules file, or an override in a station file, that cannot be used."""


class LogError(StationFileError):
    """A visit, decision or correction log that cannot be used."""


class InputError(FairvaneError):
    """No input could be used, so nothing was written."""


class RefusedFile(FairvaneError):  # noqa: N818 - it is what became of the file
    """One table file could not be read; the others were."""

    exit_code = 1


class UnknownLayout(RefusedFile):
    """A table file whose names row fits no layout: refused by name, also where there is no other file (contract 3)."""


class OutputError(FairvaneError):
    """An output could not be written, or must not be replaced."""
