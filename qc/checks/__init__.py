"""One file a check; the folder is the registry.

Each module has a docstring in one shape (what it tests, why it matters, what is not a fault, its limits) and one
`CHECK`. A check is one pure function of the scene; what it needs, its stage, reach and witness are data. Checks never
import each other.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from qc.verdicts import BIT, FAMILY_OF, IDS, Floats, Found, NotApplied

if TYPE_CHECKING:
    from qc.limits import Limit, Limits
    from qc.scene import Scene
    from qc.station import Channel

EVERY = ("*",)
"""Quantities of a check that tests every channel but `other`."""

Reach = tuple[float, float]
"""Seconds that a check looks back and ahead."""

SECTIONS = ("Tests", "Matters", "Not a fault", "Limits")


@dataclass(frozen=True)
class Told:
    """What an episode's message is made from: numbers are in the output unit."""

    channel: str
    quantity: str
    title: str
    unit: str
    values: int
    lasting: str
    worst: float
    limit: float
    cell: str
    verdict: int
    note: str = ""


def around(limits: Limits, check: str, interval_s: float) -> float:
    """Seconds to each side that set the scale of an excursion: limits `around`, or `intervals` where that is longer."""
    return max(limits.number(check, "around") * 60.0, limits.number(check, "intervals") * interval_s)


def reach_of_excursions(limits: Limits, check: str, interval_s: float) -> Reach:
    """The time around, and the neighbours of its first and last value."""
    if interval_s > limits.number(check, "longest_interval") * 3600.0:
        return 0.0, 0.0
    span = around(limits, check, interval_s) + 1.5 * interval_s
    return span, span


def in_company(scene: Scene, check: str, channel: Channel, limit: Floats) -> Floats:
    """A limit for each row, `company` times as large in tables of `company_from` and longer where another instrument
    changes far too: a storm shows in several, an error in one."""
    if (scene.interval_s or 0.0) < scene.limits.number("spike", "company_from") * 3600.0:
        return limit
    times = scene.limits.number(check, "company")
    return limit * np.where(scene.stirred(channel), times, 1.0)


def of_quantity(limit: Limit, scene: Scene, channel: Channel) -> bool:
    """Whether a limit of a check is one of the channel's quantity, or of all quantities."""
    from qc.quantities import quantities

    first = limit.key.split(".")[0]
    return first == channel.quantity or first not in quantities()


@dataclass(frozen=True)
class Check:
    """One check.

    Parameters
    ----------
    id : str
    stage : int
        checks of one stage never see each other's verdicts.
    witness : str
        what its word rests on, one of `qc.verdicts.WITNESSES`.
    quantities : tuple of str
        channels that it tests; `EVERY` for all but `other`.
    needs : tuple of str
        quantities that must be there too.
    run : callable
        (scene, channel) -> Found | NotApplied.
    say : callable
        an episode in a technician's words.
    reach : callable
        (limits, interval in s) -> seconds back and ahead.
    scope : str
        `table` where it is about rows, not values.
    asks : str
        what a row must have for it to be applied there, in words.
    number : str
        what its number is, in few words.
    unit : str
        of number and limit: empty for the channel's output unit, `difference` for that of a difference of two values.
    concerns : callable
        (limit, scene, channel) -> whether a limit of the check is one that a channel is tested by.
    """

    id: str
    stage: int
    witness: str
    quantities: tuple[str, ...]
    run: Callable[[Scene, Channel], Found | NotApplied]
    say: Callable[[Told], str]
    needs: tuple[str, ...] = ()
    reach: Callable[[Limits, float], Reach] = lambda limits, interval_s: (0.0, 0.0)
    scope: Literal["channel", "table"] = "channel"
    asks: str = "a value"
    number: str = "value"
    unit: str = ""
    concerns: Callable[[Limit, Scene, Channel], bool] = of_quantity

    @property
    def family(self) -> str:
        """Its family (contract 5)."""
        return FAMILY_OF[self.id]

    def tests(self, channel: Channel) -> bool:
        """Whether it is meant for a channel."""
        if self.family == "record" or self.id == "decision":
            return True
        return channel.quantity != "other" and (self.quantities == EVERY or channel.quantity in self.quantities)


@cache
def registry() -> Mapping[str, Check]:
    """All checks by id, in the order of the contract."""
    found = {}
    for module in pkgutil.iter_modules(__path__):
        check = importlib.import_module(f"{__name__}.{module.name}").CHECK
        if check.id.replace("-", "_") != module.name.removesuffix("_") or check.id not in BIT:
            raise ValueError(f"qc/checks/{module.name}.py holds the check {check.id}")
        found[check.id] = check
    return {i: found[i] for i in IDS if i in found}


@cache
def doc(check: str) -> Mapping[str, str]:
    """The four parts of a check's doc, and its first line under `Title`."""
    module = importlib.import_module(registry()[check].run.__module__)
    return read_doc(module.__doc__ or "")


def read_doc(text: str) -> dict[str, str]:
    """The parts of a doc in the one shape; ValueError where one is missing."""
    title, *rest = re.split(rf"(?m)^({'|'.join(SECTIONS)}):", text.strip())
    parts = {"Title": " ".join(title.split())}
    parts |= {name: " ".join(body.split()) for name, body in zip(rest[::2], rest[1::2], strict=True)}
    if tuple(parts) != ("Title", *SECTIONS) or not all(parts.values()):
        raise ValueError(f"a check's doc has the parts {', '.join(SECTIONS)}, in this order: {title[:40]}")
    return parts


def of_difference(unit: str) -> str:
    """The unit of a difference of two values: kelvin where the values are in degC."""
    return "K" if unit == "degC" else unit


def shown(number: float, digits: int = 4) -> str:
    """A number for people: short, without an exponent where it can be."""
    if number != number:
        return "no number"
    return f"{round(number, 6):.{digits}g}" if abs(number) < 10**digits else f"{number:.0f}"
