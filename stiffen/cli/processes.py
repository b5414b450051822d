"""Processes: commands that run at once, each in a process of its own, and workers that evaluate layouts for a search.

A command whose process dies is started once more.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.process
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor, as_completed, wait
from contextlib import contextmanager
from dataclasses import dataclass, field

NORMAL_EXIT_STATUSES = (0, 1, 2, 3, 130)  # of a command that ended by itself
MAX_ATTEMPTS = 2
NOT_STARTED_STATUS = 130
ProgressReport = Callable[[int, tuple[str, ...]], None]


@dataclass(frozen=True)
class ProcessOutcome:
    """How a command ended.  status: its exit status, or minus the signal that killed it.  attempts: times started."""

    name: str
    status: int
    stdout: str = ""
    stderr: str = ""
    attempts: int = 0

    @property
    def died(self) -> bool:
        """True if it did not end by itself, not even at the last attempt."""
        return self.status not in NORMAL_EXIT_STATUSES


@dataclass(eq=False)
class _ProcessGroup:
    """The running processes by name.  Once `stop` is set, no further process is started."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    stop: threading.Event = field(default_factory=threading.Event)
    running: dict[str, subprocess.Popen] = field(default_factory=dict)

    def run(self, name: str, command: Sequence[str]) -> ProcessOutcome:
        """Run one command to its end, and again if it dies."""
        outcome = ProcessOutcome(name, NOT_STARTED_STATUS)
        for attempt in range(1, MAX_ATTEMPTS + 1):
            with self.lock:
                if self.stop.is_set():
                    return outcome
                process = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                    start_new_session=True,  # Ctrl-C reaches this process alone, which passes it on
                )  # fmt: skip
                self.running[name] = process
            stdout, stderr = process.communicate()
            with self.lock:
                del self.running[name]
            outcome = ProcessOutcome(name, process.returncode, stdout, stderr, attempt)
            if not outcome.died:
                break
        return outcome

    def names(self) -> tuple[str, ...]:
        """Names of the running commands."""
        with self.lock:
            return tuple(self.running)

    def interrupt(self, kill: bool = False) -> None:
        """Start nothing more; stop what runs as Ctrl-C does, or with `kill` at once."""
        self.stop.set()
        with self.lock:
            for process in self.running.values():
                if kill or sys.platform == "win32":
                    process.terminate()
                else:
                    process.send_signal(signal.SIGINT)


def run_all(
    commands: Mapping[str, Sequence[str]], max_running: int, report: ProgressReport = lambda done, names: None
) -> list[ProcessOutcome]:
    """Run named commands, `max_running` at a time.  Returns how each ended, in the order given.

    report: called with the number of commands done and the names of those running.  Ctrl-C (KeyboardInterrupt) is
    passed on to the running commands, whose end is awaited; a command that was not started has status 130, no attempt.
    """
    group = _ProcessGroup()
    with ThreadPoolExecutor(max_running) as pool:
        futures: list[Future[ProcessOutcome]] = [
            pool.submit(group.run, name, command) for name, command in commands.items()
        ]
        try:
            for done, _ in enumerate(as_completed(futures), 1):
                report(done, group.names())
        except KeyboardInterrupt:
            group.interrupt()
            try:
                wait(futures)
            except KeyboardInterrupt:
                group.interrupt(kill=True)
    return [future.result() for future in futures]


def _start_worker() -> None:
    """Ignore Ctrl-C in a worker, and end it when the process that started it ends, even if that was killed."""
    _ignore_ctrl_c()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: multiprocessing.process.BaseProcess) -> None:
    parent.join()
    os._exit(1)


@contextmanager
def layout_workers(count: int | None) -> Iterator[Executor | None]:
    """An executor with `count` worker processes (None: one for each core); None if `count` is 1.

    The result of a search does not depend on the number of workers.  Ctrl-C ends the search in this process; the
    workers then end too.
    """
    count = count or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    executor = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker)
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def _ignore_ctrl_c() -> None:
    """Leave Ctrl-C to the main process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
