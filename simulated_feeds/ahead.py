"""Work done a step ahead, by a process of its own, while its results are being used."""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from typing import TypeVar

T = TypeVar("T")
AHEAD = 2  # results that may wait at once, so that memory does not grow with the number of jobs


def ahead(jobs: Iterable[Callable[[], T]]) -> Iterator[T]:
    """The results of these jobs, in order; the next are worked out while the caller uses one.

    Parameters
    ----------
    jobs : iterable of callables
        Each, and what it returns, can be pickled.

    Notes
    -----
    The other process is begun afresh: a copy of one that has a store open would share its locks.
    """
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_live_as_long_as_the_first) as pool:
        waiting: deque[Future[T]] = deque()
        try:
            for job in jobs:
                waiting.append(pool.submit(job))
                if len(waiting) > AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for one in waiting:
                one.cancel()


def _live_as_long_as_the_first() -> None:
    """Ctrl-C reaches both processes: the first ends this one. Where that was killed, this one ends by itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_first, daemon=True).start()


def _end_with_the_first() -> None:
    """End this process with the one that began it: it waits for the next job, which nobody would send."""
    first = parent_process()
    if first is not None:
        wait([first.sentinel])
        os._exit(1)
