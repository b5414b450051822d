"""What the commands do with the terminal: results to stdout, progress and complaints to stderr, stop signals."""

from __future__ import annotations

import _thread
import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

Progress = Callable[[float | None, str], None]


def complain(words: str) -> None:
    print(words, file=sys.stderr)


def drop_output() -> None:
    """Send what is still to be printed nowhere, so that Python does not stumble over it at its end."""
    with suppress(OSError):  # what stands in for stdout may be no file
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def stop_signals_end_like_ctrl_c() -> Iterator[None]:
    """Let SIGTERM and SIGHUP, unless they are ignored, stop a command as Ctrl-C does: the best so far is kept."""
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):  # Windows has not both
            number = getattr(signal, name, None)
            if number and signal.getsignal(number) != signal.SIG_IGN:
                before[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def resend_swallowed_ctrl_c() -> Iterator[None]:
    """Where Ctrl-C falls into a place that swallows it, as a weak reference's callback does, send it once more."""
    before = sys.unraisablehook

    def again(swallowed: sys.UnraisableHookArgs) -> None:
        if issubclass(swallowed.exc_type, KeyboardInterrupt):
            threading.Timer(0.05, _thread.interrupt_main).start()  # not now: this hook is such a place itself
        else:
            before(swallowed)

    sys.unraisablehook = again
    try:
        yield
    finally:
        sys.unraisablehook = before


def subject(args: argparse.Namespace) -> str:
    """The file that a command is about, to stand before a complaint."""
    name = getattr(args, "panel", None) or getattr(args, "layout", None)
    return f"{name}: " if name else ""


@contextmanager
def progress_bar(quiet: bool) -> Iterator[Progress]:
    """A bar on stderr where a person watches; nothing otherwise."""
    if quiet or not sys.stderr.isatty():
        yield lambda fraction, words: None
        return
    from tqdm import tqdm

    shape = "{percentage:3.0f} % |{bar:20}| {elapsed} {desc}"
    with tqdm(total=1.0, bar_format=shape, leave=False, file=sys.stderr, dynamic_ncols=True) as bar:

        def show(fraction: float | None, words: str) -> None:
            if fraction is not None:
                bar.n = min(max(fraction, 0.0), 1.0)
            bar.set_description_str(words)

        yield show


def print_result(args: argparse.Namespace, data: dict, words: Sequence[str]) -> None:
    """Print the words, and write the result where --json says; --json - prints it in place of the words."""
    from stiffen.io.files import json_text, write_json

    if args.json == "-":
        print(json_text(data), end="")
        return
    if args.json:
        write_json(args.json, data)
    print(*words, sep="\n")
