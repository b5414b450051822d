"""Several panels: each searched in a process of its own, into a folder named as the panel file."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from stiffen.errors import Fault, InputError

from ..inputs import panel_of_file, require_demands
from ..output_files import give_result
from ..processes import run_all
from ..terminal import FAILED, MET, NOT_MET, print_error, progress_bar


def search_several(args: argparse.Namespace) -> int:
    """Search each panel in a process of its own, into a folder named as the panel file."""
    from stiffen.io.files import read_json

    for option, value in (("--sweep", args.sweep), ("--from", args.start)):
        if value:
            raise InputError([Fault(option, f"got {len(args.panels)} panels", "give it one panel at a time")])
    _check_panel_files(args.panels)
    folders = {path: Path(args.out) / Path(path).stem for path in args.panels}
    options = ["--effort", args.effort, "--seed", f"{args.seed}", "--mesh", args.mesh, "--paper", args.paper]
    options += [] if args.seconds is None else ["--seconds", f"{args.seconds!r}"]
    if args.cluster:
        options += ["--cluster", args.cluster]
    else:
        options += ["--workers", f"{args.workers or max(1, (os.cpu_count() or 1) // args.jobs)}"]
    commands = {
        path: [sys.executable, "-m", "stiffen", "search", path, "--out", str(folder), "--quiet", *options]
        for path, folder in folders.items()
    }
    total = len(commands)
    with progress_bar(args.quiet) as progress:
        progress(0.0, f"{total} panels, {min(args.jobs, total)} at a time")
        outcomes = run_all(
            commands,
            args.jobs,
            lambda done, names: progress(done / total, f"{done} of {total} panels done; under way: {', '.join(names)}"),
        )
    lines, results = [], []
    for outcome in outcomes:
        folder = folders[outcome.name]
        line = "".join(outcome.stdout.splitlines()[-1:]) or (
            "stopped before it was started" if not outcome.attempts else ""
        )
        if outcome.died:
            line = (
                f"its process died after {outcome.attempts} attempts (exit status {outcome.status}); what it had found "
                f"is in {folder}"
            )
        if outcome.died or not line:
            for error_line in outcome.stderr.splitlines():
                print_error(error_line)
        lines += [f"{outcome.name}: {line}"] if line else []
        file = folder / "layout.json"
        result = read_json(file).get("result") if outcome.status in (MET, NOT_MET) and file.exists() else None
        results.append({"panel_file": outcome.name, "folder": str(folder), "exit": outcome.status, "result": result})
    status = max(FAILED if outcome.died else outcome.status for outcome in outcomes)
    give_result(args, {"status": "met" if status == MET else "not met", "panels": results}, lines)
    return status


def _check_panel_files(paths: Sequence[str]) -> None:
    """Raise an InputError with all faults of all panel files, and with those that share a folder name."""
    faults = []
    by_stem: dict[str, str] = {}
    for path in paths:
        stem = Path(path).stem
        if stem in by_stem:
            what = f"would be written to the same folder as {by_stem[stem]}: {stem}"
            faults.append(Fault(path, what, "give the file another name"))
        by_stem.setdefault(stem, path)
        try:
            require_demands(panel_of_file(path), path)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
