"""Worker processes that evaluate layouts for a search."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager


@contextmanager
def layout_workers(count: int | None) -> Iterator[Executor | None]:
    """An executor with so many processes (None: one for each core); None where one process does all.

    The result of a search does not depend on it.  Ctrl-C ends the search in this process; the workers then end too.
    """
    count = count or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    executor = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_ignore_ctrl_c)
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def _ignore_ctrl_c() -> None:
    """Leave Ctrl-C to the main process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
