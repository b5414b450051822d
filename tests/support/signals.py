"""Signals as in a terminal, also where the tests run in the background of a shell, which has them ignore some."""

import signal
from contextlib import contextmanager


@contextmanager
def heeded(number):
    """Context: this process, and those that it starts, do not ignore the signal; Ctrl-C raises KeyboardInterrupt."""
    before = signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(number, before)
