"""Searches killed at random moments: whatever is in the output folder is whole, and the layout in it can be made.

A small panel is searched for real, again and again, every other time into the folder of the killed one before.  The
signals take turns: SIGKILL, SIGTERM, SIGINT (Ctrl-C).  Time counts from when the search has locked its folder.  POSIX
only.

    python benchmarks/kill.py --moments 50 --seed 0
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import ezdxf

from stiffen.io.folder_lock import LOCK_FILE_NAME
from stiffen.io.panel_file import read_layout
from stiffen.shop.layout_check import audit

SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
PATIENCE = 120  # seconds that a search may take to its end after it was told to stop
PANEL = """
[panel]
name = "lid"
material = "5754-H111"
gauges = [0.8, 1.0, 2.0]
outline = [[0, 0], [300, 0], [300, 240], [0, 240]]
[[support]]
kind = "edge"
along = "outline"
[[load]]
case = "wind"
kind = "pressure"
value = 0.00001
[[demand]]
kind = "frequency"
limit = 110
[[demand]]
kind = "deflection"
case = "wind"
limit = 0.05
"""


def start(folder: Path, seconds: float = 6.0) -> subprocess.Popen[str]:
    """A search of the panel into `folder`/out."""
    (folder / "lid.toml").write_text(PANEL)
    argv = ["search", "lid.toml", "--out", "out", "--mesh", "quick", "--seconds", str(seconds)]
    return subprocess.Popen(
        [sys.executable, "-m", "stiffen", *argv],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "MPLBACKEND": "Agg"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),  # the parent may ignore Ctrl-C
    )


def begun(process: subprocess.Popen[str], folder: Path) -> None:
    """Wait until the search has locked its output folder."""
    while process.poll() is None and not _held_by(folder / "out" / LOCK_FILE_NAME, process.pid):
        time.sleep(0.005)


def _held_by(lock: Path, number: int) -> bool:
    try:
        return lock.read_text().startswith(f"{number} ")
    except FileNotFoundError:
        return False


def end(process: subprocess.Popen[str], number: int) -> list[str]:
    """Send the signal and wait; the list of faults in the way the search ended."""
    process.send_signal(number)
    try:
        _, err = process.communicate(timeout=PATIENCE)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return ["did not end"]
    status = process.returncode
    wrong = [f"a traceback: {err[-300:]}"] if "Traceback" in err else []
    if status not in ((-signal.SIGKILL, 0, 1) if number == signal.SIGKILL else (0, 1, 130)):
        wrong.append(f"exit status {status}: {err[-300:]}")
    return wrong


def faults(out: Path, killed: bool) -> list[str]:
    """Faults of an output folder.

    killed: after SIGKILL a lock file and hidden half-written files are allowed.
    """
    found = []
    for path in sorted(out.iterdir()) if out.is_dir() else []:
        hidden = path.name == LOCK_FILE_NAME or (path.name.startswith(".") and ".part" in path.name)
        if hidden:
            found += [] if killed else [f"{path.name} is left"]
        elif trouble := _trouble(path):
            found.append(f"{path.name}: {trouble}")
    return found


def _layout_trouble(path: Path) -> str:
    panel, layout = read_layout(path)
    return "; ".join(violation.what for violation in audit(panel, layout))


def _drawing_trouble(path: Path) -> str:
    return "" if not ezdxf.readfile(path).audit().errors else "has errors"


def _ends_with(mark: bytes) -> Callable[[Path], str]:
    return lambda path: "" if mark in path.read_bytes()[-32:] else "is cut short"


WHOLE: dict[str, Callable[[Path], str]] = {
    ".json": _layout_trouble,
    ".dxf": _drawing_trouble,
    ".pdf": _ends_with(b"%%EOF"),
    ".png": _ends_with(b"IEND"),
    ".html": _ends_with(b"</html>"),
    ".txt": _ends_with(b"\n"),
}


def _trouble(path: Path) -> str:
    """What is wrong with one file; "" if it is whole."""
    try:
        return WHOLE[path.suffix](path)
    except Exception as error:  # noqa: BLE001 - whatever it is, it is what we look for
        return f"cannot be read: {error!r}"


def main() -> int:
    """Kill searches, check their folders, print the counts; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    chance = random.Random(args.seed)
    with tempfile.TemporaryDirectory() as name:
        first = start(Path(name))
        begun(first, Path(name))
        clock = time.perf_counter()
        first.communicate()
        whole = time.perf_counter() - clock
    print(f"left alone: {whole:.0f} s, exit status {first.returncode}")
    seen: Counter[str] = Counter()
    wrong = 0
    folder = tempfile.TemporaryDirectory()
    for moment in range(args.moments):
        if moment % 2 == 0:
            folder.cleanup()
            folder = tempfile.TemporaryDirectory()
        number = SIGNALS[moment % len(SIGNALS)]
        after = chance.uniform(0.0, whole)
        process = start(Path(folder.name))
        begun(process, Path(folder.name))
        time.sleep(after)
        out = Path(folder.name) / "out"
        told = end(process, number) + faults(out, number == signal.SIGKILL)
        files = [path for path in out.iterdir() if not path.name.startswith(".")] if out.is_dir() else []
        seen["nothing yet" if not files else "layout alone" if len(files) == 1 else "layout and sheets"] += 1
        wrong += bool(told)
        named = signal.Signals(number).name
        print(f"{moment + 1:3} {named:8} after {after:5.1f} s: {len(files):2} files; {told or 'whole'}")
    folder.cleanup()
    print(f"{args.moments} moments, {wrong} wrong; " + ", ".join(f"{what}: {count}" for what, count in seen.items()))
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
