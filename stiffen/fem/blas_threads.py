"""One BLAS thread for small dense blocks.

The dense blocks of sparse factors are so small that BLAS threads mostly wait for each other: with two busy cores a
solve took ten times as long on two threads as on one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
T = TypeVar("T")


@cache
def _controller() -> ThreadpoolController:
    """Controller of the loaded BLAS libraries, made once."""
    return ThreadpoolController()


def one_thread(function: Callable[P, T]) -> Callable[P, T]:
    """Decorator: runs `function` with one BLAS thread, then restores the caller's setting."""

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> T:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited


@one_thread
def on_one_thread(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """The function's result, computed with one BLAS thread: a job of one worker among several.

    The threads of several workers wait for each other's cores, and use up processor time while they wait.
    """
    return function(*args, **kwargs)
