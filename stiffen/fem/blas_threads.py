"""One BLAS thread for small dense blocks.

The dense blocks of sparse factors are so small that BLAS threads mostly wait for each other: with two busy cores a
solve took ten times as long on two threads as on one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor
from functools import cache, partial, wraps
from typing import Any, ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
T = TypeVar("T")
_here = threading.local()  # limited: True while a function with one BLAS thread runs in this thread


@cache
def _controller() -> ThreadpoolController:
    """Controller of the loaded BLAS libraries, made once."""
    return ThreadpoolController()


def one_thread(function: Callable[P, T]) -> Callable[P, T]:
    """Decorator: runs `function` with one BLAS thread, then restores the caller's setting."""

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> T:
        if getattr(_here, "limited", False):
            return function(*args, **kwargs)
        _here.limited = True
        try:
            with _controller().limit(limits=1, user_api="blas"):
                return function(*args, **kwargs)
        finally:
            _here.limited = False

    return limited


def start_job(executor: Executor | None, function: Callable[..., T], *job: Any) -> Callable[[], T]:
    """Start a job on an executor, with one BLAS thread; a function that waits for its result.

    executor: None to run it when it is asked.  The threads of several workers wait for each other's cores, and use up
    processor time while they wait.
    """
    if executor is None:
        return partial(_on_one_thread, function, *job)
    return executor.submit(_on_one_thread, function, *job).result


@one_thread
def _on_one_thread(function: Callable[..., T], *job: Any) -> T:
    return function(*job)
