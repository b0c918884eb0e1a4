"""Names of people in logs are personal data: an option leaves their initials."""

from __future__ import annotations

import re
from dataclasses import dataclass

from qc.logs import Logs


@dataclass(frozen=True)
class People:
    """Who signed lines of the logs, and whether only initials are told."""

    names: tuple[str, ...] = ()
    only_initials: bool = False

    def name(self, by: str) -> str:
        """Whoever signed a line, as it may be told."""
        return initials(by) if self.only_initials else by

    def text(self, text: str) -> str:
        """A text that a person wrote, with the names of those who signed lines made initials.

        Other names in it cannot be known: the README says so.
        """
        if not self.only_initials:
            return text
        for name in sorted(self.names, key=lambda n: (-len(n), n)):
            if name.strip():
                text = re.sub(rf"(?<!\w){re.escape(name.strip())}(?!\w)", initials(name), text, flags=re.IGNORECASE)
        for word in sorted({w for n in self.names for w in _long_words(n)}, key=lambda w: (-len(w), w)):
            text = re.sub(rf"(?<!\w){re.escape(word)}(?!\w)", initials(word), text)
        return text


def initials(name: str) -> str:
    """`Maria Lopez-Garcia` becomes `M.L.G.`; what is no more than initials stays: `MLG`, `M. L.`"""
    words = re.findall(r"\w+", name)
    if all(len(w) == 1 or (len(w) <= 3 and w.isupper()) for w in words):
        return name
    return "".join(f"{w[0].upper()}." for w in words)


def people(logs: Logs, *, only_initials: bool) -> People:
    """Everybody who signed a line of a log."""
    names = {d.by for d in logs.decisions or () if d.by} | {c.by for c in logs.corrections or () if c.by}
    return People(tuple(sorted(names)), only_initials)


def _long_words(name: str) -> list[str]:
    """Parts of a name that are hardly anything else: capitalised, three letters or more, of a name of several parts."""
    words = re.findall(r"\w+", name)
    return [w for w in words if len(words) > 1 and len(w) >= 3 and w[0].isupper()]
