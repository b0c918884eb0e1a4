"""A progress bar on standard error, on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click


@contextmanager
def bar(label: str, *, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """A function (done, total) that moves the bar; it does nothing where nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    with click.progressbar(length=1000, label=f"{label:<8}", file=sys.stderr, show_eta=True) as shown:

        def move(done: int, total: int) -> None:
            shown.update(int(1000 * done / max(total, 1)) - shown.pos)

        yield move
