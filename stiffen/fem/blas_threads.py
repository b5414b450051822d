"""One thread for small linear algebra.

Sparse factors are made of blocks so small that threads of the BLAS only wait for each other: a solve with two busy
cores took ten times as long with two threads as with one.
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
    """The BLAS libraries loaded, looked up once."""
    return ThreadpoolController()


def one_thread(function: Callable[P, T]) -> Callable[P, T]:
    """`function`, run with BLAS held to one thread; the caller's setting is put back afterwards."""

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> T:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone
