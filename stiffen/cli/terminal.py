"""Exit statuses, printing, the progress bar, Ctrl-C and other signals.  Nothing else in the project prints."""

from __future__ import annotations

import _thread
import codecs
import io
import logging
import os
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

MET, NOT_MET, BAD_INPUT, FAILED, STOPPED = 0, 1, 2, 3, 130  # exit statuses, see `entry.main`
NARROW, WIDE = 90, 130  # columns: below the first there is no bar, from the second on a long one
KEPT_MARK = "; "  # what follows the first one in a progress message is never cut
RESEND_DELAY = 0.05  # s

Progress = Callable[[float | None, str], None]  # fraction done, None if not known; what is under way


def _encodable(error: UnicodeError) -> tuple[bytes, int]:
    """A question mark for each letter that the console cannot show; undecoded bytes of a file name unchanged."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    letters = error.object[error.start : error.end]
    shown = (one.encode("ascii", "surrogateescape" if "\udc80" <= one <= "\udcff" else "replace") for one in letters)
    return b"".join(shown), error.end


codecs.register_error("stiffen.console", _encodable)


def accept_any_console() -> None:
    """Let a console that lacks a letter (cp1252, 7 bits) show a question mark in its place."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a notebook or a test may have put another object there
            stream.reconfigure(errors="stiffen.console")


def quiet_libraries() -> None:
    """Hide warnings of libraries, such as that a cache cannot be written; their errors are shown."""
    for name in ("matplotlib", "ezdxf"):
        logging.getLogger(name).setLevel(logging.ERROR)


def print_lines(*lines: str, end: str = "\n") -> None:
    """Print lines on stdout."""
    print(*lines, sep="\n", end=end)


def print_error(line: str) -> None:
    """Print a line on stderr."""
    print(line, file=sys.stderr)


def discard_output() -> None:
    """Discard what is still to be printed, so that Python's flush of stdout at exit does not fail."""
    with suppress(OSError):  # a replaced stdout may have no file number
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def progress_line(fraction: float, elapsed: str, message: str, width: int) -> str:
    """Share done, bar, time and message in at most `width` letters.

    Of the message only the part before its first semicolon is shortened: the best so far and the time left stay.  On a
    narrow terminal the bar and the time give way.
    """
    share = f"{100 * fraction:3.0f} % "
    bar = 0 if width < NARROW else 10 if width < WIDE else 20
    full = round(bar * fraction)
    head = f"{share}|{'#' * full}{'-' * (bar - full)}| {elapsed} " if bar else share
    doing, mark, kept = message.partition(KEPT_MARK)
    room = width - len(head) - len(mark) - len(kept)
    if len(doing) > room:
        doing = doing[: max(room - 2, 0)].rstrip() + ".."[: max(room, 0)]
    return f"{head}{doing}{mark}{kept}"[:width]


@contextmanager
def progress_bar(quiet: bool) -> Iterator[Progress]:
    """A progress bar on stderr if that is a terminal and `quiet` is False; nothing otherwise."""
    if quiet or not sys.stderr.isatty():
        yield lambda fraction, message: None
        return
    from tqdm import tqdm

    with tqdm(total=1.0, bar_format="{desc}", leave=False, file=sys.stderr, dynamic_ncols=True) as bar:

        def show(fraction: float | None, message: str) -> None:
            if fraction is not None:
                bar.n = min(max(fraction, 0.0), 1.0)
            columns = shutil.get_terminal_size().columns
            with suppress(OSError):  # the terminal of the progress, which stdout may not be
                columns = os.get_terminal_size(sys.stderr.fileno()).columns
            elapsed = tqdm.format_interval(bar.format_dict["elapsed"])
            bar.set_description_str(progress_line(bar.n, elapsed, message, columns - 1))

        yield show


@contextmanager
def signals_as_ctrl_c() -> Iterator[None]:
    """Let SIGTERM and SIGHUP stop a command as Ctrl-C does, which keeps the best layout so far.

    A signal that is ignored stays ignored.
    """
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):  # Windows lacks SIGHUP
            number = getattr(signal, name, None)
            if number and signal.getsignal(number) != signal.SIG_IGN:
                before[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def resent_ctrl_c() -> Iterator[None]:
    """Send Ctrl-C once more if Python swallowed it, as it does in a weak reference's callback."""
    before = sys.unraisablehook

    def resend(swallowed: sys.UnraisableHookArgs) -> None:
        if issubclass(swallowed.exc_type, KeyboardInterrupt):
            # Not at once: an exception raised in this hook would be swallowed too.
            threading.Timer(RESEND_DELAY, _thread.interrupt_main).start()
        else:
            before(swallowed)

    sys.unraisablehook = resend
    try:
        yield
    finally:
        sys.unraisablehook = before
