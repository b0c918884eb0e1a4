"""Two things at once, results in order."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.threads import in_order


@given(st.lists(st.integers(), max_size=12), st.integers(1, 5))
@settings(max_examples=50, deadline=None)
def test_results_come_in_the_order_of_their_items(items: list[int], waiting: int) -> None:
    def late(item: int) -> int:
        time.sleep((item % 3) * 1e-3)
        return 2 * item

    assert list(in_order(late, items, waiting)) == [2 * item for item in items]


def test_one_item_costs_no_thread() -> None:
    assert list(in_order(lambda _: threading.current_thread(), [1])) == [threading.current_thread()]
    assert threading.current_thread() not in list(in_order(lambda _: threading.current_thread(), [1, 2]))


@pytest.mark.parametrize("waiting", [2, 3, 5])
def test_no_more_items_are_taken_than_may_wait(waiting: int) -> None:
    taken: list[int] = []

    def items() -> Iterator[int]:
        for number in range(20):
            taken.append(number)
            yield number

    for done, _ in enumerate(in_order(lambda item: item, items(), waiting), 1):
        assert len(taken) <= done - 1 + waiting


def test_an_error_comes_when_its_turn_comes() -> None:
    def work(item: int) -> int:
        if item == 2:
            raise KeyError(item)
        return item

    found = in_order(work, range(5))
    assert [next(found), next(found)] == [0, 1]
    with pytest.raises(KeyError):
        next(found)
