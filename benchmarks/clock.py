"""Whether `stiffen search --seconds N` ends in time: the whole command, from its start to the last file.

Goal: at most 1.1 N + 5 s, for N = 20 and 60, on all examples, on a floor of 1200 x 950 mm and on a folded tray.  The
seconds are those of the clock on the wall, so the machine must have nothing else to do; the load is printed.  With
--processor-time one process does all, and its processor time is the clock: as on a quiet machine of one core.

    python benchmarks/clock.py [--seconds 20 60] [--only NAME] [--workers N] [--processor-time]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

EXAMPLES = sorted((Path(__file__).parent.parent / "examples").glob("*.toml"))
ONE_CORE = "import sys, time; time.monotonic = time.process_time; from stiffen.cli import main; sys.exit(main())"
SHARE, FIXED = 1.1, 5.0  # goal: SHARE N + FIXED seconds
FILES = ("layout.json", "marking.dxf", "template.pdf", "card.pdf", "report.html", "layout.png")
LARGE_FLOOR = """[panel]
name = "floor of the load tub"
material = "5754-H111"
gauges = [0.8, 1.0, 1.2, 1.5, 2.0]
outline = [[0, 0], [1200, 0], [1200, 950], [0, 950]]

[[support]]
kind = "edge"
along = "outline"
hold = "pinned"
in_plane = "free"

[[load]]
case = "sack"
kind = "patch"
value = 150
at = [600, 475]
size = [200, 200]

[[load]]
case = "sacks"
kind = "pressure"
value = 2e-4

[[demand]]
kind = "deflection"
case = "sack"
limit = 8

[[demand]]
kind = "deflection"
case = "sacks"
limit = 6

[[demand]]
kind = "frequency"
limit = 15
"""
FOLDED_TRAY = """[panel]
name = "folded tray"
material = "5754-H111"
gauges = [0.8, 1.0, 1.2, 1.5, 2.0]
outline = [[0, 0], [520, 0], [520, 360], [0, 360]]

[[fold]]
line = [[0, 25], [520, 25]]
angle = 90
radius = 2

[[fold]]
line = [[0, 335], [520, 335]]
angle = 90
radius = 2

[[support]]
kind = "bolts"
at = [[30, 55], [490, 55], [490, 305], [30, 305]]
diameter = 6
in_plane = "held"

[[load]]
case = "battery"
kind = "patch"
value = 120
at = [260, 180]
size = [180, 120]

[[demand]]
kind = "deflection"
case = "battery"
limit = 2.0

[[demand]]
kind = "frequency"
limit = 55
"""
MADE_HERE = {"large_floor": LARGE_FLOOR, "folded_tray": FOLDED_TRAY}


def timed(
    panel: Path, seconds: float, folder: Path, workers: int | None, one_core: bool
) -> tuple[float, float, str, bool]:
    """Seconds on the clock and of the processors, the command's last line, and whether all files are there."""
    out = folder / f"{panel.stem}_{seconds:g}"
    command = [sys.executable, *(("-c", ONE_CORE) if one_core else ("-m", "stiffen")), "search", str(panel)]
    command += ["--seconds", f"{seconds:g}", "--out", str(out), "--quiet"]
    command += [] if workers is None and not one_core else ["--workers", f"{1 if one_core else workers}"]
    before, begun = os.times(), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True)
    took, after = time.perf_counter() - begun, os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    last = (done.stdout.splitlines() or done.stderr.splitlines() or ["nothing was printed"])[-1]
    whole = done.returncode in (0, 1) and all((out / name).is_file() for name in FILES)
    return used if one_core else took, used, last.replace(str(folder), ""), whole


def main() -> int:
    """Print a row for each panel and time limit; exit status 1 if one is late or lacks a file."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--seconds", type=float, nargs="+", default=[20.0, 60.0])
    ask.add_argument("--only", action="append", help="a panel's file name without its ending; may be repeated")
    ask.add_argument("--workers", type=int)
    ask.add_argument("--processor-time", action="store_true")
    options = ask.parse_args()
    late = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        panels = [*EXAMPLES]
        for stem, text in MADE_HERE.items():
            panels.append(folder / f"{stem}.toml")
            panels[-1].write_text(text, encoding="utf-8")
        for panel in panels:
            if options.only and panel.stem not in options.only:
                continue
            for seconds in options.seconds:
                load = os.getloadavg()[0]
                took, used, last, whole = timed(panel, seconds, folder, options.workers, options.processor_time)
                limit = SHARE * seconds + FIXED
                late += took > limit or not whole
                verdict = "in time" if took <= limit else "LATE"
                times = f"{took:6.1f} s of {limit:4.0f}, cpu {used:6.1f} s, load {load:3.1f}"
                verdict += "" if whole else ", FILES MISSING"
                print(f"{panel.stem:20s} {seconds:4.0f} s: {times}, {verdict} | {last}", flush=True)
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
