"""Commands run at once: outcomes in the given order, a process that dies is started again, Ctrl-C stops all."""

import os
import signal
import sys
import threading
import time

import pytest
from support.signals import heeded

from stiffen.cli import processes
from stiffen.cli.processes import keep_freed_memory, layout_workers, run_all

SAYS = "import sys; print(sys.argv[1]); sys.exit(int(sys.argv[2]))"
DIES = """
import os, signal, sys
with open(sys.argv[1], "a") as file:
    file.write("x")
if os.path.getsize(sys.argv[1]) <= int(sys.argv[2]):
    os.kill(os.getpid(), signal.SIGKILL)
print("done")
"""
WAITS = """
import pathlib, sys, time
try:
    pathlib.Path(sys.argv[1]).touch()
    time.sleep(60)
except KeyboardInterrupt:
    print("kept the best")
"""


def command(code, *words):
    return [sys.executable, "-c", code, *map(str, words)]


def test_outcomes_are_in_the_order_given():
    told = []
    ended = run_all(
        {f"p{k}": command(SAYS, k, k % 3) for k in range(5)}, 2, lambda done, names: told.append((done, len(names)))
    )
    assert [(one.name, one.status, one.stdout) for one in ended] == [(f"p{k}", k % 3, f"{k}\n") for k in range(5)]
    assert all(one.attempts == 1 and not one.died for one in ended)
    assert [done for done, _ in told] == [1, 2, 3, 4, 5] and all(running <= 2 for _, running in told)


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_a_process_that_dies_is_started_once_more_and_the_others_go_on(tmp_path):
    once, always = tmp_path / "once", tmp_path / "always"
    ended = run_all(
        {"once": command(DIES, once, 1), "always": command(DIES, always, 9), "well": command(SAYS, 1, 0)}, 3
    )
    assert [(one.status, one.attempts, one.died) for one in ended] == [
        (0, 2, False),
        (-signal.SIGKILL, 2, True),
        (0, 1, False),
    ]
    assert ended[0].stdout == "done\n" and always.read_text() == "xx"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="stops by signal")
def test_ctrl_c_is_passed_on_and_nothing_more_is_started(tmp_path):
    mark = tmp_path / "begun"

    def interrupt():
        while not mark.exists():
            time.sleep(0.01)
        os.kill(os.getpid(), signal.SIGINT)

    helper = threading.Thread(target=interrupt)
    with heeded(signal.SIGINT):
        helper.start()
        first, second = run_all({"first": command(WAITS, mark), "second": command(WAITS, tmp_path / "never")}, 1)
        helper.join()
    assert (first.status, first.stdout, first.attempts) == (0, "kept the best\n", 1)
    assert (second.status, second.attempts) == (130, 0) and not (tmp_path / "never").exists()


@pytest.mark.parametrize("fault", [AttributeError, OSError, TypeError])
def test_a_library_that_cannot_keep_freed_memory_is_left_as_it_is(monkeypatch, fault):
    def library(name):
        raise fault

    monkeypatch.setattr(processes.ctypes, "CDLL", library)
    keep_freed_memory()


def test_workers_start_anew_where_no_process_can_be_forked_from(monkeypatch):
    """As without sockets, or on other systems, whose linear algebra does not survive a fork."""

    def refused():
        raise OSError("no sockets")

    monkeypatch.setattr("multiprocessing.forkserver.ensure_running", refused)
    with layout_workers(2) as executor:
        assert executor.submit(os.getpid).result() != os.getpid()
    assert processes._worker_context().get_start_method() == "spawn"
    monkeypatch.undo()
    monkeypatch.setattr(sys, "platform", "darwin")
    assert processes._worker_context().get_start_method() == "spawn"


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux alone")
def test_workers_are_forked_from_a_process_of_their_own():
    processes.prepare_workers()
    with layout_workers(2) as executor:
        assert executor.submit(os.getppid).result() != os.getpid()
