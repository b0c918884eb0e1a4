"""Two things at once in one process, results in order: numpy, pyarrow and hashlib work outside Python's lock."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

WORKERS = 2  # judgement: most of what is shared out waits for memory, and more at once would hold more of it


def in_order(work: Callable[[Item], Result], items: Iterable[Item], waiting: int = WORKERS + 1) -> Iterator[Result]:
    """What `work` makes of each item, in their order; the first item alone costs no thread.

    Parameters
    ----------
    work : callable
        must not depend on what it made of other items.
    items : iterable
        taken only as their turn comes.
    waiting : int
        results and running items that may be held at once, so that memory stays flat.

    Raises
    ------
    Exception
        whatever `work` raises, when the turn of its item comes.
    """
    left = iter(items)
    first = list(islice(left, 2))
    if len(first) < 2:
        yield from map(work, first)
        return
    with ThreadPoolExecutor(WORKERS) as pool:
        held: deque[Future[Result]] = deque(pool.submit(work, item) for item in first)
        held.extend(pool.submit(work, item) for item in islice(left, max(waiting - 2, 0)))
        while held:
            yield held.popleft().result()
            held.extend(pool.submit(work, item) for item in islice(left, 1))
