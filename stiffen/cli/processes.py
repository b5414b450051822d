"""Several commands at once, each in a process of its own; one that dies is begun once more."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed, wait
from dataclasses import dataclass, field

NORMAL_EXIT_STATUSES = (0, 1, 2, 3, 130)  # exit statuses of a command that ended by itself
MAX_ATTEMPTS = 2
NOT_STARTED_STATUS = 130
ProgressReport = Callable[[int, tuple[str, ...]], None]


@dataclass(frozen=True)
class ProcessOutcome:
    """How a command ended.  status: its exit status, negative the signal that killed it.  begun: how often."""

    name: str
    status: int
    stdout: str = ""
    stderr: str = ""
    attempts: int = 0

    @property
    def died(self) -> bool:
        """True where it did not end by itself, not even the second time."""
        return self.status not in NORMAL_EXIT_STATUSES


@dataclass(eq=False)
class _ProcessGroup:
    """Processes under way, by name; once `stop` is set none is begun any more."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    stop: threading.Event = field(default_factory=threading.Event)
    running: dict[str, subprocess.Popen] = field(default_factory=dict)

    def run(self, name: str, command: Sequence[str]) -> ProcessOutcome:
        """Run one command to its end, again where it dies."""
        ended = ProcessOutcome(name, NOT_STARTED_STATUS)
        for attempt in range(1, MAX_ATTEMPTS + 1):
            with self.lock:
                if self.stop.is_set():
                    return ended
                process = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                    start_new_session=True,  # Ctrl-C reaches us alone, and we hand it on
                )  # fmt: skip
                self.running[name] = process
            out, err = process.communicate()
            with self.lock:
                del self.running[name]
            ended = ProcessOutcome(name, process.returncode, out, err, attempt)
            if not ended.died:
                break
        return ended

    def names(self) -> tuple[str, ...]:
        """Names of what runs."""
        with self.lock:
            return tuple(self.running)

    def interrupt(self, kill: bool = False) -> None:
        """Begin nothing more, and stop what runs as Ctrl-C does, or at once."""
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
    """Run named commands, `max_running` at a time; how each ended, in the order given.

    report(how many are done, names of those under way).  Ctrl-C (KeyboardInterrupt) is handed on to those under way and
    their end awaited; what was not begun has status 130 and `attempts` 0.
    """
    yard = _ProcessGroup()
    with ThreadPoolExecutor(max_running) as pool:
        waiting: list[Future[ProcessOutcome]] = [
            pool.submit(yard.run, name, command) for name, command in commands.items()
        ]
        try:
            for done, _ in enumerate(as_completed(waiting), 1):
                report(done, yard.names())
        except KeyboardInterrupt:
            yard.interrupt()
            try:
                wait(waiting)
            except KeyboardInterrupt:
                yard.interrupt(kill=True)
    return [one.result() for one in waiting]
