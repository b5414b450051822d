"""Commands under bad conditions: two searches into one folder, signals, no memory, a failing solver, a killed writer,
three hundred broken files (`benchmarks/fuzz.py` does thousands)."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import fuzz
import kill
import pytest
from support.signals import heeded

from stiffen.analysis import evaluation
from stiffen.cli import entry, stock
from stiffen.errors import InputError, MeshError, SolverError
from stiffen.io.files import atomic_write, temporary_name
from stiffen.io.folder_lock import LOCK_FILE_NAME, locked_folder
from stiffen.io.panel_file import read_layout
from stiffen.shop.layout_check import audit

posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
ENVIRONMENT = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(Path(entry.__file__).parents[2])}
HOLDER = """
import sys, time
from stiffen.io.files import temporary_name
from stiffen.io.folder_lock import locked_folder
from pathlib import Path
import os
with locked_folder(sys.argv[1]) as folder:
    temporary_name(folder / "layout.json", os.getpid()).write_text("half a lay")
    print("held", flush=True)
    time.sleep(600)
"""


# --- one writer at a time --------------------------------------------------------------------------------------


@pytest.fixture
def holder(tmp_path):
    """Another process that holds the folder `out` and has begun to write in it."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path / "out")],
        stdout=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


def test_a_folder_is_locked_and_the_lock_removed_at_the_end(tmp_path):
    with locked_folder(tmp_path / "deep" / "out") as folder:
        assert (folder / LOCK_FILE_NAME).read_text().startswith(f"{os.getpid()} ")
    assert list(folder.iterdir()) == []
    with locked_folder(folder):
        pass


def test_a_second_search_into_the_folder_is_refused(tmp_path, holder, capsys):
    (tmp_path / "lid.toml").write_text(kill.PANEL)
    assert entry.main(["search", str(tmp_path / "lid.toml"), "--out", str(tmp_path / "out")]) == 2
    told = capsys.readouterr().err
    assert f"{tmp_path / 'out'}: is being written to by process {holder.pid}, since 2" in told
    assert "(wait for it or stop it, or name another folder)" in told
    assert holder.poll() is None
    assert temporary_name(tmp_path / "out" / "layout.json", holder.pid).exists()


def test_the_second_writer_is_told_what_the_first_one_does(tmp_path, capsys, monkeypatch):
    (tmp_path / "lid.toml").write_text(kill.PANEL)
    command = ["check", str(tmp_path / "lid.toml"), "--plot", str(tmp_path / "out")]

    def check(*args, **options):
        assert entry.main(command) == 2
        raise SolverError("enough")

    monkeypatch.setattr(evaluation, "check", check)
    assert entry.main(command) == 3
    told = capsys.readouterr().err
    assert f"is being written to by stiffen check {tmp_path / 'lid.toml'} (process {os.getpid()}), since 2" in told


def test_the_lock_of_a_dead_process_is_taken_over_and_its_temporary_files_removed(tmp_path, holder):
    out = tmp_path / "out"
    holder.kill()
    holder.wait()
    (out / "kept.txt").write_text("not ours")
    assert (out / LOCK_FILE_NAME).exists()
    with locked_folder(out):
        assert sorted(path.name for path in out.iterdir()) == [LOCK_FILE_NAME, "kept.txt"]
    assert [path.name for path in out.iterdir()] == ["kept.txt"]


def test_a_lock_file_that_was_left_by_hand_is_no_lock(tmp_path):
    (tmp_path / LOCK_FILE_NAME).write_bytes(b"\xff\xfe nonsense")
    with locked_folder(tmp_path):
        assert (tmp_path / LOCK_FILE_NAME).read_text().startswith(f"{os.getpid()} ")


def test_the_folder_is_free_again_after_a_failure(tmp_path):
    with pytest.raises(SolverError), locked_folder(tmp_path):
        raise SolverError("nothing holds the sheet")
    assert list(tmp_path.iterdir()) == []


# --- written whole or not at all -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "error", [KeyboardInterrupt(), MemoryError(), ValueError("no")], ids=lambda e: type(e).__name__
)
def test_an_interrupted_writer_leaves_the_old_file(tmp_path, error):
    path = tmp_path / "card.txt"
    path.write_text("old")
    with pytest.raises(type(error)), atomic_write(path) as fresh:
        fresh.write_text("ne")
        raise error
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["card.txt"]


@pytest.mark.parametrize(
    "number, cure", [(28, "make room"), (13, "permissions"), (30, "read-only"), (122, "your share")]
)
def test_a_place_that_cannot_be_written_is_reported_with_a_cure(tmp_path, monkeypatch, number, cure):
    path = tmp_path / "card.txt"
    path.write_text("old")

    def no(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "replace", no)
    with (
        pytest.raises(InputError, match=rf"cannot be written: {os.strerror(number).lower()} \(.*{cure}"),
        atomic_write(path) as fresh,
    ):
        fresh.write_text("new")
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["card.txt"]


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    with atomic_write(tmp_path / "link.txt") as fresh:
        fresh.write_text("new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


@posix
def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path):
    pipe = tmp_path / "pipe.json"
    os.mkfifo(pipe)
    read = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_text()))
    reader.start()
    with atomic_write(pipe) as fresh:
        fresh.write_text("new")
    reader.join()
    assert read == ["new"]
    assert pipe.is_fifo()


# --- no memory, no solution ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (MemoryError(), "out of memory\n  what may help: --mesh quick"),
        (SolverError("nothing holds the sheet"), "nothing holds the sheet\n  what may help: see that a [[support]]"),
        (MeshError("no room between the beads"), "no room between the beads\n  what may help: another --mesh"),
    ],
    ids=["memory", "solver", "mesh"],
)
def test_failure_is_status_3_with_what_to_try(tmp_path, capsys, monkeypatch, error, told):
    path = tmp_path / "lid.toml"
    path.write_text(kill.PANEL)

    def check(*args, **options):
        raise error

    monkeypatch.setattr(evaluation, "check", check)
    assert entry.main(["check", str(path), "--gauge", "1"]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"{path}: {told}")


@posix
def test_out_of_memory_for_real(tmp_path):
    """After a check on a quick mesh has loaded every library, a fine mesh gets only 20 MB more."""
    if not Path("/proc/self/statm").exists():
        pytest.skip("how much memory is in use cannot be told here")
    (tmp_path / "lid.toml").write_text(kill.PANEL)
    code = (
        "import resource, sys\n"
        "from stiffen.cli import main\n"
        "main(['check', 'lid.toml', '--mesh', 'quick', '--json', '-'])\n"
        "pages = int(open('/proc/self/statm').read().split()[0])\n"
        "room = pages * resource.getpagesize() + 20_000_000\n"
        "resource.setrlimit(resource.RLIMIT_AS, (room, room))\n"
        "sys.exit(main(['check', 'lid.toml', '--mesh', 'fine', '--json', '-']))\n"
    )
    run = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, env=ENVIRONMENT)
    assert run.returncode == 3, run
    assert run.stderr.startswith("lid.toml: out of memory\n  what may help: ")
    assert "Traceback" not in run.stderr


# --- signals ---------------------------------------------------------------------------------------------------


@pytest.mark.slow
@posix
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_other_signals_stop_as_ctrl_c_does_and_are_left_as_they_were(tmp_path, capsys, monkeypatch, number):
    (tmp_path / "lid.toml").write_text(kill.PANEL)

    def check(*args, **options):
        os.kill(os.getpid(), number)
        time.sleep(10)

    monkeypatch.setattr(evaluation, "check", check)
    with heeded(number):
        before = signal.getsignal(number)
        assert entry.main(["check", str(tmp_path / "lid.toml")]) == 130
        assert signal.getsignal(number) == before
    assert capsys.readouterr().err == "stopped\n"


@posix
def test_ctrl_c_that_python_swallows_is_sent_once_more(capsys, monkeypatch):
    class Goes:
        def __del__(self):
            raise KeyboardInterrupt

    def run(args):
        Goes()
        for _ in range(1000):
            time.sleep(0.001)
        return 0

    monkeypatch.setattr(stock, "run", run)
    with heeded(signal.SIGINT):
        assert entry.main(["stock"]) == 130
    assert capsys.readouterr().err.strip().endswith("stopped")


def test_an_ignored_signal_stays_ignored(tmp_path, monkeypatch):
    (tmp_path / "lid.toml").write_text(kill.PANEL)
    seen = []
    monkeypatch.setattr(evaluation, "check", lambda *a, **k: seen.append(signal.getsignal(signal.SIGHUP)) or 1 / 0)
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        entry.main(["check", str(tmp_path / "lid.toml")])
    finally:
        signal.signal(signal.SIGHUP, before)
    assert seen == [signal.SIG_IGN]


def test_commands_run_outside_the_main_thread(capsys):
    status = []
    thread = threading.Thread(target=lambda: status.append(entry.main(["stock"])))
    thread.start()
    thread.join()
    assert status == [0]


@pytest.mark.slow
@posix
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_search_that_is_stopped_leaves_a_folder_that_can_be_read(tmp_path, number):
    process = kill.start(tmp_path)
    layout = tmp_path / "out" / "layout.json"
    while process.poll() is None and not layout.exists():
        time.sleep(0.02)
    assert process.poll() is None
    assert kill.end(process, number) == []
    assert kill.faults(tmp_path / "out", killed=number == signal.SIGKILL) == []
    panel, found = read_layout(layout)
    assert audit(panel, found) == ()
    sheets = {path.suffix for path in (tmp_path / "out").iterdir() if not path.name.startswith(".")}
    assert sheets >= ({".json"} if number == signal.SIGKILL else {".json", ".dxf", ".pdf", ".png", ".txt", ".html"})


def test_a_broken_folder_would_be_noticed(tmp_path):
    (tmp_path / "layout.json").write_text('{"format": "stiffen lay')
    (tmp_path / "card.pdf").write_bytes(b"%PDF-1.4 ...")
    (tmp_path / ".card.txt.123.part.txt").write_text("half")
    told = kill.faults(tmp_path, killed=False)
    assert [line.split(":")[0].split(" ")[0] for line in told] == [".card.txt.123.part.txt", "card.pdf", "layout.json"]
    assert len(kill.faults(tmp_path, killed=True)) == 2


# --- broken files ----------------------------------------------------------------------------------------------


@pytest.mark.slow
@posix
def test_three_hundred_broken_files_neither_crash_nor_hang():
    found = list(fuzz.outcomes(300, seed=8))
    assert [outcome for outcome in found if outcome.told] == []
    assert {outcome.kind for outcome in found} == {"panel", "tools", "layout", "drawing"}
    refused = sum(outcome.what == "refused" for outcome in found)
    assert 150 < refused < 300
