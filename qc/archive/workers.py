"""Who does the work of a night: this process, some processes of this machine, or a Dask cluster."""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager
from typing import Any

from qc.errors import UsageError, printable

Task = tuple[Callable[..., Any], tuple[Any, ...]]
_AHEAD = 4  # tasks that wait for each worker: enough to keep it busy, few enough to keep memory flat


class Lazy(Sequence[Task]):
    """Tasks that are made when their turn comes, so that a thousand of them never lie in memory together."""

    def __init__(self, count: int, make: Callable[[int], Task]) -> None:
        self._count, self._make = count, make

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, number: Any) -> Any:
        if not 0 <= number < self._count:
            raise IndexError(number)
        return self._make(number)


class Workers(AbstractContextManager["Workers"]):
    """Runs tasks and gives what became of each, as they are done: its number, and its result or its error."""

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Any]]:
        """One after the other, in this process."""
        for number, task in enumerate(tasks):
            yield number, _tried(task)

    def __exit__(self, *error: object) -> None:
        return None


class Here(Workers):
    """This process."""


class Processes(Workers):
    """Some processes of this machine. When one dies, the tasks under way are tried again, one at a time: the one that
    kills a process of its own twice is given up."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._pool = self._started()

    def _started(self) -> ProcessPoolExecutor:
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._jobs, mp_context=spawn, initializer=_bound, initargs=(os.getpid(),))

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Any]]:
        """As they are done, in any order."""
        left = list(range(len(tasks)))[::-1]
        running: dict[Future[Any], int] = {}
        while left or running:
            while left and len(running) < self._jobs * _AHEAD:
                number = left.pop()
                running[self._pool.submit(_tried, tasks[number])] = number
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            lost = []
            for future in finished:
                number = running.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    lost.append(number)
                else:
                    yield number, outcome
            if lost:
                lost += running.values()
                running.clear()
                for number in sorted(lost):
                    yield number, self._alone(tasks[number])

    def _alone(self, task: Task) -> Any:
        for _ in range(2):
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = self._started()
            try:
                return self._pool.submit(_tried, task).result()
            except BrokenProcessPool as error:
                found: Exception = error
        self._pool = self._started()
        return found

    def __exit__(self, *error: object) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)


class Cluster(Workers):
    """An existing Dask cluster, whose workers see the same store; Dask runs again what a lost worker had."""

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            raise UsageError("needs Dask", where="--dask", mend="pip install 'fairvane[cluster]'") from None
        library: Any = distributed  # ships no types of its own
        try:
            self._client = library.Client(address, timeout="10s", set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            told = printable(" ".join(str(error).split()), 200)
            raise UsageError(f"no scheduler answers at {printable(address, 80)} ({told})", where="--dask") from None

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Any]]:
        """As they are done, in any order."""
        import distributed

        library: Any = distributed
        threads = max(1, sum(self._client.nthreads().values()))
        waiting = list(range(len(tasks)))[::-1]
        numbers: dict[Any, int] = {}

        def submitted() -> Any:
            number = waiting.pop()
            future = self._client.submit(_tried, tasks[number], pure=False, retries=2)
            numbers[future.key] = number
            return future

        flow = library.as_completed(
            [submitted() for _ in range(min(len(tasks), threads * _AHEAD))], loop=self._client.loop
        )
        for future in flow:
            number = numbers.pop(future.key)
            try:
                outcome = future.result()
            except Exception as error:
                outcome = error
            if waiting:
                flow.add(submitted())
            yield number, outcome

    def __exit__(self, *error: object) -> None:
        self._client.close()


def _bound(parent: int) -> None:
    """Have a worker end when its parent has died: nobody would tell it."""

    def look() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=look, daemon=True).start()


def _tried(task: Task) -> Any:
    """The result of a task, or the error that it ended with: one bad station never stops the others."""
    try:
        function, arguments = task
        return function(*arguments)
    except Exception as error:
        return error
