"""Work done in other threads while the caller is busy: the same results, in the same order.

Decoding, the landmark model and picture routines run outside the interpreter's lock, so threads of
one process use all cores. What waits between threads is bounded: memory does not grow with a clip.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import Final, TypeVar

T = TypeVar("T")
R = TypeVar("R")

MOST_WORKERS: Final = 8
_WAIT_S: Final = 0.05
"""How often a thread that waits looks whether it is still wanted."""


def cores() -> int:
    """Processor cores that this process may use, at most `MOST_WORKERS`."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(usable, MOST_WORKERS))


@contextmanager
def workers(count: int) -> Iterator[Executor | None]:
    """A pool of `count` threads; None for fewer than two. Leaving drops what has not begun."""
    if count < 2:
        yield None
        return
    pool = ThreadPoolExecutor(count, thread_name_prefix="laneside")
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def each(pool: Executor | None, function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """``[function(item) for item in items]``, spread over the pool's threads where there is one."""
    return list(map(function, items)) if pool is None else list(pool.map(function, items))


@dataclass(frozen=True)
class _Failed:
    error: BaseException


class _End:
    pass


def ahead(items: Iterable[T], depth: int) -> Generator[T, None, None]:
    """`items`, taken in another thread up to `depth` before they are asked for.

    Parameters
    ----------
    items : iterable
        Used in that thread alone, and closed there when it is a generator.
    depth : int
        Most items that wait.

    Yields
    ------
    item
        In order. What `items` raises is raised here, as itself, after the items before it. Close
        the generator (or let it run out) to end the thread.
    """
    waiting: Queue[T | _Failed | _End] = Queue(max(1, depth))
    unwanted = Event()

    def offered(item: T | _Failed | _End) -> bool:
        while not unwanted.is_set():
            try:
                waiting.put(item, timeout=_WAIT_S)
            except Full:
                continue
            return True
        return False

    def run() -> None:
        last: _Failed | _End = _End()
        try:
            for item in items:
                if not offered(item):
                    break
        except BaseException as error:  # handed over and raised where it is understood
            last = _Failed(error)
        finally:
            if isinstance(items, Generator):
                items.close()
        offered(last)

    thread = Thread(target=run, name="laneside-ahead", daemon=True)
    thread.start()
    try:
        while True:
            item = waiting.get()
            if isinstance(item, _End):
                return
            if isinstance(item, _Failed):
                raise item.error
            yield item
    finally:
        unwanted.set()
        while thread.is_alive():
            _emptied(waiting)
            thread.join(_WAIT_S)


def _emptied(waiting: Queue[T]) -> None:
    try:
        while True:
            waiting.get_nowait()
    except Empty:
        return
