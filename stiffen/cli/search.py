"""`stiffen search`: gauge, beads and holes of least mass, for one panel or several."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from .exit_status import FAILED, MET, NOT_MET
from .output_files import (
    beads_in_rolling_order,
    closing_line,
    exit_status_of,
    faults_named_after,
    output_folder,
    panel_and_start,
    with_process_plan,
)
from .sweep import run_sweep
from .terminal import complain, print_result, progress_bar

if TYPE_CHECKING:
    from stiffen.model.results import SearchResult, Verdict


def run_search(args: argparse.Namespace) -> int:
    if len(args.panels) > 1:
        return _search_several(args)
    args.panel = args.panels[0]
    return run_sweep(args) if args.sweep else _search_one(args)


def _search_one(args: argparse.Namespace) -> int:
    from stiffen.io.panel_file import layout_document, write_json
    from stiffen.io.result_json import result_document
    from stiffen.optimise.search.driver import search
    from stiffen.output.bench_files import clear, write_bench_files

    panel, start = panel_and_start(args)
    folder = output_folder(args, args.out)
    best: list[Verdict] = []

    def keep(verdict: Verdict) -> None:
        verdict = beads_in_rolling_order(panel, verdict)
        if not best:
            clear(folder)
        best[:] = [verdict]
        write_json(folder / "layout.json", layout_document(panel, verdict.layout, result_document(panel, verdict)))

    try:
        with progress_bar(args.quiet) as progress:
            found = search(
                panel,
                seconds=args.seconds,
                seed=args.seed,
                mesh_level=args.mesh,
                start=start,
                progress=progress,
                on_best=keep,
            )
    except KeyboardInterrupt:
        if not best:
            raise
        verdict, plan = with_process_plan(panel, best[0])
        data = write_bench_files(panel, verdict, folder, paper=args.paper, plan=plan)
        print_result(args, data, [f"stopped; {closing_line(panel, verdict, None, plan)}; in {folder}"])
        return exit_status_of(panel, verdict, plan)
    verdict, plan = with_process_plan(panel, found.verdict)
    data = write_bench_files(panel, verdict, folder, search_result=found, paper=args.paper, plan=plan)
    stopped = f"{found.stopped}; " if found.stopped else ""
    closing = closing_line(panel, verdict, found.flat_baseline, plan)
    print_result(args, data, [f"{stopped}{closing}{_infeasibility_note(found)}; in {folder}"])
    return exit_status_of(panel, verdict, plan)


def _search_several(args: argparse.Namespace) -> int:
    """A search for each panel, in processes of their own; each panel's sheets go to a folder of its own name."""
    from stiffen.io.files import read_json

    from .processes import run_all

    for name in ("sweep", "from"):
        if getattr(args, "start" if name == "from" else name):
            raise InputError([Fault(f"--{name}", f"got {len(args.panels)} panels", "give it one panel at a time")])
    _check_readable(args.panels)
    folders = {path: Path(args.out) / Path(path).stem for path in args.panels}
    options = ["--seconds", f"{args.seconds!r}", "--seed", f"{args.seed}", "--mesh", args.mesh, "--paper", args.paper]
    commands = {
        path: [sys.executable, "-m", "stiffen", "search", path, "--out", str(folder), "--quiet", *options]
        for path, folder in folders.items()
    }
    many = len(commands)
    with progress_bar(args.quiet) as progress:
        progress(0.0, f"{many} panels, {min(args.jobs, many)} at a time")
        ended = run_all(
            commands,
            args.jobs,
            lambda done, names: progress(done / many, f"{done} of {many} panels done; under way: {', '.join(names)}"),
        )
    lines, results = [], []
    for one in ended:
        told = one.stdout.strip() or ("stopped before it was begun" if not one.attempts else "")
        if one.died:
            told = (
                f"its process died, begun {one.attempts} times (ended with {one.status}); what it had found lies in "
                f"{folders[one.name]}"
            )
        for line in one.stderr.splitlines() if not told or one.died else ():
            complain(line)
        lines += [f"{one.name}: {told}"] if told else []
        file = folders[one.name] / "layout.json"
        result = read_json(file).get("result") if one.status in (MET, NOT_MET) and file.exists() else None
        results.append({"panel_file": one.name, "folder": str(folders[one.name]), "exit": one.status, "result": result})
    status = max(FAILED if one.died else one.status for one in ended)
    print_result(args, {"status": "met" if status == MET else "not met", "panels": results}, lines)
    return status


def _check_readable(paths: Sequence[str]) -> None:
    """InputError with all faults of all panel files, and of those that would be written to one place."""
    from stiffen.io.panel_file import read_panel

    faults = []
    by_stem: dict[str, str] = {}
    for path in paths:
        stem = Path(path).stem
        if stem in by_stem:
            what = f"would be written to the same folder as {by_stem[stem]}: {stem}"
            faults.append(Fault(path, what, "give the file another name"))
        by_stem.setdefault(stem, path)
        try:
            with faults_named_after(path):
                read_panel(path)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)


def _infeasibility_note(found: SearchResult) -> str:
    """A few words where every lighter sheet of the rack is proven unable."""
    gauge = found.verdict.layout.gauge
    lighter = [outcome for outcome in found.gauge_outcomes if outcome.gauge < gauge]
    if not found.verdict.met or not lighter or not all(outcome.is_infeasible for outcome in lighter):
        return ""
    return "; no lighter sheet of the rack can (ribbed-plate model)"
