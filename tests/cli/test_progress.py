"""The progress line on a pseudo-terminal of 80, 100 and 160 columns: best and time left are never cut."""

import os
import re
import sys
from pathlib import Path

import pytest

from stiffen.cli.terminal import progress_line

ROOT = Path(__file__).parents[2]
KEPT = "best 0.8 mm 0.232 kg, 12 % to spare; about 40 s left"
MESSAGES = (
    f"0.8 mm: trying 24 even layouts of 3 beads; {KEPT}",
    f"frequency 30: 0.8 mm: moving 12 beads, round 14; {KEPT}",
)
TALK = f"""
from stiffen.cli.terminal import progress_bar
with progress_bar(False) as progress:
    for message in {MESSAGES!r}:
        progress(0.42, message)
"""


def shown(columns):
    """What a process writes on a pseudo-terminal of so many columns."""
    import fcntl
    import pty
    import struct
    import subprocess
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-c", TALK], stderr=theirs, env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"}
    )
    os.close(theirs)
    text = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        text += piece
    os.close(ours)
    assert process.wait() == 0
    return [
        line.strip("\n ") for line in re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", text.decode()).split("\r") if line.strip()
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("columns", [80, 100, 160])
def test_best_and_time_left_are_never_cut(columns):
    lines = [line for line in shown(columns) if "%" in line]
    assert {line.partition("; ")[2] for line in lines} == {KEPT}
    assert all(len(line) < columns for line in lines)
    assert all(line.startswith("42 %") for line in lines)
    assert (columns == 160) == any("24 even layouts of 3 beads" in line and "|########-" in line for line in lines)


@pytest.mark.parametrize("width", [20, 40, 79, 99, 159])
def test_a_line_is_never_wider_than_the_terminal(width):
    for message in (*MESSAGES, "short", "x" * 300, "; ".join("abc")):
        assert len(progress_line(0.5, "00:12", message, width)) <= width


def test_what_fits_is_not_cut():
    line = progress_line(0.5, "00:12", MESSAGES[0], 159)
    assert line == f" 50 % |##########----------| 00:12 {MESSAGES[0]}"
