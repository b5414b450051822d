"""One BLAS thread while a function runs, and the caller's setting after it."""

from concurrent.futures import ThreadPoolExecutor

import pytest
import scipy.linalg  # noqa: F401 - loads a BLAS library
from threadpoolctl import threadpool_info, threadpool_limits

from stiffen.fem.blas_threads import one_thread


def threads():
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


@one_thread
def inner():
    return threads()


@one_thread
def outer():
    return inner(), threads()


@one_thread
def fails():
    raise ValueError


def test_one_thread_within_and_the_callers_setting_after():
    with threadpool_limits(2, user_api="blas"):
        if threads() != {2}:
            pytest.skip("the BLAS library has one thread only")
        assert inner() == {1}
        assert threads() == {2}
        assert outer() == ({1}, {1})
        assert threads() == {2}
        with pytest.raises(ValueError):
            fails()
        assert threads() == {2}
        assert inner() == {1}


def test_another_thread_is_limited_too():
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(outer).result() == ({1}, {1})
