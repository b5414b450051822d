"""Processes: commands that run at once, each in a process of its own, and workers that evaluate layouts for a search.

The workers are processes of this machine or those of a Dask cluster.  A command whose process dies is started once
more.
"""

from __future__ import annotations

import ctypes
import logging
import multiprocessing
import multiprocessing.context
import multiprocessing.process
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stiffen import __version__
from stiffen.errors import Fault, InputError, WorkerError

if TYPE_CHECKING:
    import distributed

FORK_SERVER = "forkserver"
CONNECT_SECONDS = 10  # to reach the scheduler of a cluster
NORMAL_EXIT_STATUSES = (0, 1, 2, 3, 130)  # of a command that ended by itself
MAX_ATTEMPTS = 2
NOT_STARTED_STATUS = 130
# parameters of mallopt, from malloc.h of the GNU C library
TRIM_THRESHOLD, TOP_PAD, MMAP_THRESHOLD = -1, -2, -3
KEPT_BYTES = 1 << 30  # of freed memory at the top of the heap
PAD_BYTES = 64 << 20  # asked of the system at once
HEAP_ARRAY_BYTES = 32 << 20  # of the largest array on the heap: the most that the library accepts
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


def keep_freed_memory() -> None:
    """Let this process keep the memory that it frees, for its next arrays.

    An evaluation allocates and frees arrays of some hundred kilobytes thousands of times.  The GNU C library gives them
    back to the system, which clears them anew each time: up to a fifth of the time.  No value depends on it.
    Other C libraries are left as they are.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):  # another C library, or Windows
        return
    for parameter, value in ((MMAP_THRESHOLD, HEAP_ARRAY_BYTES), (TRIM_THRESHOLD, KEPT_BYTES), (TOP_PAD, PAD_BYTES)):
        mallopt(parameter, value)


def prepare_workers() -> None:
    """Start what workers are forked from, beside whatever this process does until `layout_workers` asks for them.

    It has imported all that a worker needs, so that workers do not.
    """
    _worker_context()


def _worker_context() -> multiprocessing.context.BaseContext:
    """How workers are started: on Linux forked from a process that has imported what they need; else anew.

    The linear algebra of other systems does not survive a fork.
    """
    if sys.platform == "linux":
        try:
            from multiprocessing import forkserver

            context = multiprocessing.get_context(FORK_SERVER)
            context.set_forkserver_preload(["stiffen.optimise.search.runner"])
            forkserver.ensure_running()
            return context
        except (ImportError, OSError):  # no sockets, or no right to read the library
            pass
    return multiprocessing.get_context("spawn")


def _import_search() -> None:
    import stiffen.optimise.search.runner  # noqa: F401


def _start_worker() -> None:
    """Ignore Ctrl-C in a worker, and end it when the process that started it ends, even if that was killed."""
    _ignore_ctrl_c()
    keep_freed_memory()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: multiprocessing.process.BaseProcess) -> None:
    parent.join()
    os._exit(1)


@contextmanager
def layout_workers(count: int | None, cluster: str | None = None) -> Iterator[Executor | None]:
    """An executor with `count` worker processes (None: one for each core), or with the workers of a Dask cluster.

    cluster: address of its scheduler.  None if `count` is 1.  The result of a search does not depend on the executor
    and the number of workers.  Ctrl-C ends the search in this process; the processes of this machine then end too.
    Raises InputError if the cluster cannot be used, WorkerError if a worker is lost.
    """
    if cluster is not None:
        with _cluster_workers(cluster) as there:
            yield there
        return
    count = count or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    executor = ProcessPoolExecutor(count, mp_context=_worker_context(), initializer=_start_worker)
    for _ in range(count):  # each starts one, while this process does something else
        executor.submit(_import_search)
    try:
        yield executor
    except BrokenExecutor as error:
        raise WorkerError("a process that evaluates layouts has died; the best layout so far is kept") from error
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _cluster_workers(address: str) -> Iterator[Executor]:
    try:
        import distributed
        from distributed.comm import CommClosedError, get_address_host_port
    except ImportError:
        cure = "pip install 'stiffen[cluster]'"
        raise InputError([Fault("--cluster", "the package distributed is not installed", cure)]) from None
    for name in logging.root.manager.loggerDict:
        if name.startswith("distributed"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # the messages here say it
    try:
        get_address_host_port(address)  # a client of an address that cannot be read ends with a traceback
        client = distributed.Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        cure = "see that its scheduler runs and can be reached from here, as tcp://HOST:8786"
        raise InputError([Fault("--cluster", f"no connection to {address}: {error}", cure)]) from None
    with client:
        _check_cluster(client, address)
        try:
            with client.get_executor() as executor:
                yield executor
        except (distributed.KilledWorker, CommClosedError, CancelledError) as error:
            what = f"the connection to {address} or one of its workers is lost; the best layout so far is kept"
            raise WorkerError(what) from error


def _check_cluster(client: distributed.Client, address: str) -> None:
    """Raise an InputError unless the cluster has workers, all with this version of stiffen."""

    def version() -> str:  # sent as it is, since a worker without stiffen could not import it
        try:
            import stiffen
        except ImportError:
            return "no stiffen"
        return f"stiffen {stiffen.__version__}"

    versions = client.run(version)
    if not versions:
        cure = f"start some with: dask worker {address}"
        raise InputError([Fault("--cluster", f"{address} has no workers", cure)])
    wrong = {worker: there for worker, there in versions.items() if there != f"stiffen {__version__}"}
    if wrong:
        worker, there = min(wrong.items())
        what = f"worker {worker} has {there}, this is stiffen {__version__}"
        raise InputError([Fault("--cluster", what, "install the same version on all workers")])


def _ignore_ctrl_c() -> None:
    """Leave Ctrl-C to the main process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
