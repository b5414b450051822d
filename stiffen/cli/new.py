"""`stiffen new`: a commented panel file to start from."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from stiffen.errors import Fault, InputError

from .exit_status import MET


def run_new(args: argparse.Namespace) -> int:
    from importlib import resources

    from stiffen.io.files import atomic_write

    text = resources.files("stiffen").joinpath("data/starter_panel.toml").read_text(encoding="utf-8")
    path = Path(args.file)
    if os.path.lexists(path):
        raise InputError([Fault(str(path), "is there already", "give another name, or move it away")])
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")
    print(f"wrote {path}: edit it to fit your panel, then: stiffen check {path}")
    return MET
