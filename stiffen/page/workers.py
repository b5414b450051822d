"""A worker process that answers for the page, and ends when the page's process ends.

Messages to a worker are queued by the system.  A worker takes all that wait; of jobs that replace one another, such as
the positions of a drag, it takes the last.  A worker that dies is started again with what it had been told.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

MAX_DEATHS = 3  # of a worker on one and the same job
Message = tuple[str, Any]  # what it is, and its content
Serve = Callable[["Mailbox"], None]  # the worker's main function


@dataclass(eq=False)
class Mailbox:
    """The worker's end of the connection."""

    connection: Connection
    waiting: list[Message] = field(default_factory=list)

    def collect(self, wait: bool) -> None:
        """Take in what has arrived; with `wait`, at least one message.  EOFError if the page's process has ended."""
        while (wait and not self.waiting) or self.connection.poll(0):
            self.waiting.append(self.connection.recv())

    def has(self, *kinds: str) -> bool:
        """True if a message of one of these kinds has arrived."""
        self.collect(wait=False)
        return any(kind in kinds for kind, _ in self.waiting)

    def take(self, *replaced: str) -> Message:
        """The next message; of each kind in `replaced`, only the last that waits."""
        self.collect(wait=True)
        while self.waiting:
            kind, content = self.waiting.pop(0)
            if kind not in replaced or not any(other == kind for other, _ in self.waiting):
                return kind, content
        raise AssertionError("a message waits")

    def send(self, kind: str, content: Any) -> None:
        """Answer."""
        self.connection.send((kind, content))


def _run(serve: Serve, connection: Connection) -> None:
    """Main function of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the main process's
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    with suppress(EOFError, OSError):
        serve(Mailbox(connection))


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


@dataclass(eq=False)
class Worker:
    """A worker process, started when it is first told something.

    on_answer: called in a thread with each answer; ("died", text) if the process has ended too often.  setup: the last
    message of the kind "panel", told again to a process that replaces a dead one; so is the last job.
    """

    name: str
    serve: Serve
    on_answer: Callable[[str, Any], None]
    setup: Message | None = None
    job: Message | None = None
    deaths: int = 0
    _process: BaseProcess | None = None
    _connection: Connection | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _closed: bool = False

    def tell(self, kind: str, content: Any) -> None:
        """Send a message."""
        with self._lock:
            if kind == "panel":
                self.setup, self.job = (kind, content), None
            else:
                self.job = (kind, content)
            self.deaths = 0
            if self._connection is None:
                self._start()  # tells setup and job
                return
            with suppress(OSError):  # its death is told by the reader's thread
                self._connection.send((kind, content))

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_run, args=(self.serve, theirs), name=self.name, daemon=True)
        self._process.start()
        theirs.close()
        with suppress(OSError):
            for message in (self.setup, self.job):
                if message is not None:
                    self._connection.send(message)
        threading.Thread(target=self._read, args=(self._connection,), daemon=True).start()

    def _read(self, connection: Connection) -> None:
        while True:
            try:
                kind, content = connection.recv()
            except (EOFError, OSError):
                break
            self.on_answer(kind, content)
        with self._lock:
            if self._closed or connection is not self._connection:
                return
            self._connection = None
            self.deaths += 1
            if self.deaths < MAX_DEATHS:
                self._start()
                return
            self.job = None
        self.on_answer("died", f"the process for {self.name} ended {MAX_DEATHS} times on this; change the layout")

    def stop(self) -> None:
        """End the process at once; the next message starts another."""
        with self._lock:
            process, self._process, connection, self._connection = self._process, None, self._connection, None
            self.job = None
        if connection is not None:
            connection.close()
        if process is not None:
            process.kill()
            process.join()

    def close(self) -> None:
        """End the process for good."""
        self._closed = True
        self.stop()
