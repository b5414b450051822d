"""Marks of the tests that need sfepy, which the plain install lacks."""

import pytest

from stiffen.analysis import sfepy_shell

MARKS = [
    pytest.mark.second_opinion,
    pytest.mark.skipif(not sfepy_shell.is_installed(), reason="needs sfepy: pip install '.[second-opinion]'"),
]


def needs_sfepy(test):
    """Decorator of one test; a whole file says `pytestmark = MARKS`."""
    for mark in MARKS:
        test = mark(test)
    return test
