"""`stiffen search`: beads, holes and gauge of least mass, for one panel or for several."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from . import sweep
from .assembly import search_build
from .inputs import (
    count,
    faults_of_file,
    is_build,
    panel_and_start,
    panel_of_file,
    positive_number,
    require_demands,
    seed,
)
from .output_files import (
    OPEN_FIRST,
    closing_line,
    exit_status,
    give_result,
    output_folder,
    panel_picture_file,
    summary,
)
from .processes import layout_workers
from .terminal import FAILED, MET, NOT_MET, print_error, progress_bar

if TYPE_CHECKING:
    from stiffen.model.panel import Panel
    from stiffen.model.results import SearchResult, Verdict

HELP = "find gauge, beads and holes that meet the demands"
DESCRIPTION = """\
Find gauge, beads and flared holes that meet the demands: the lightest layout, the quickest to make, and the
recommended one, which is worth its minutes and whose files are written.
Ctrl-C ends the search early and keeps the best layout so far.
Writes into DIR: panel.png, the panel as it was read; layout.json, each time a better layout is found;
marking.dxf, and marking_back.dxf if beads stand on both faces; template.pdf, and template_back.pdf if
anything stands on the down face; card.pdf and card.txt; report.html; pictures: layout.png,
before_after.png (maps.png if the flat sheet meets the demands) and more.
The proposals lie in proposals.png and, for the others, in lightest.json and quickest.json to draw from.
With several panels, each gets a folder of its own in DIR; so do the panels and strips of a build file,
beside build.pdf, build.html, build.txt, assembled.png and sheets.png. A sweep writes sweep.txt, sweep.csv
and sweep.png (mass against stiffness), and for each value a folder with a layout.json to draw from."""
BESIDE = "_new"  # suffix of a second folder, used while the wanted one holds an earlier layout
SEARCH_SHARE, SHORT_WORK_SHARE = 0.85, 0.9  # of the command's time: the search ends, short work is computed; measured
OUTSIDE_SHARE = 0.5  # of the time limit: later, nothing is left for sheets outside the rack and explanations
EXAMPLES = (
    "stiffen search hatch.toml --out out/hatch",
    "stiffen search hatch.toml --out out/hatch --seconds 600 --seed 3",
    "stiffen search hatch.toml --from out/hatch/layout.json --out out/hatch2",
    "stiffen search floor.toml hatch.toml cheek.toml --jobs 2 --out out",
    "stiffen search floor.toml hatch.toml --jobs 2 --cluster tcp://bench:8786 --out out",
    "stiffen search tub.toml --out out/tub",
    "stiffen search hatch.toml --sweep frequency=30,40,50,60 --out out/what_if",
    "stiffen search hatch.toml --sweep gauge=0.8,1.0,1.2 --seconds 30 --out out/sheets",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument(
        "panels", metavar="PANEL.toml", nargs="+", help="the panel file, several of one build, or a build file"
    )
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    parser.add_argument(
        "--seconds",
        metavar="S",
        type=positive_number("seconds"),
        help="time limit, s, for each panel and each value of a sweep (default: none, the effort decides)",
    )
    parser.add_argument(
        "--effort",
        choices=("quick", "normal", "thorough"),
        default="normal",
        help="how much is tried; the same effort gives the same layout on any machine (default normal)",
    )
    parser.add_argument(
        "--workers", metavar="N", type=count, help="processes that evaluate layouts (default: one for each core)"
    )
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="evaluate on the workers of this Dask scheduler, as tcp://HOST:8786"
    )
    parser.add_argument("--seed", metavar="N", type=seed, default=0, help="seed of the random numbers (default 0)")
    parser.add_argument(
        "--from", dest="start", metavar="L.json", help="start from this layout; what is marked fixed in it stays"
    )
    parser.add_argument(
        "--jobs", metavar="N", type=count, default=1, help="panels to search at the same time (default 1)"
    )
    parser.add_argument(
        "--sweep",
        metavar="WHAT=VALUES",
        help="a search for each value: limit=2,3,4 (or the demand's name: frequency=30,40), gauge=0.8,1.0, dies=1,2",
    )


def run(args: argparse.Namespace) -> int:
    """Search one panel, several panels, or sweep one."""
    if args.cluster and args.workers:
        what = "does not go with --cluster, whose workers evaluate the layouts"
        raise InputError([Fault("--workers", what, "leave one of them out")])
    if len(args.panels) > 1:
        return _search_several(args)
    args.panel = args.panels[0]
    if is_build(args.panel):
        return search_build.run(args)
    return sweep.run(args) if args.sweep else _search_one(args)


def _search_one(args: argparse.Namespace) -> int:
    from stiffen.analysis.flat_sheet import with_outside_gauge
    from stiffen.model.results import SearchResult
    from stiffen.optimise.explain.explaining import with_explanation
    from stiffen.optimise.search.driver import search
    from stiffen.optimise.search.incumbent import rank
    from stiffen.output.bench_files import remove_bench_files, write_bench_files, write_layout
    from stiffen.output.report.explanation_sections import help_lines, worth_lines
    from stiffen.output.report.proposal_table import proposal_table
    from stiffen.output.report.sections import columns
    from stiffen.output.report.shop_card import NO_SECOND_OPINION
    from stiffen.proof.bench_margin import start_bench_margin
    from stiffen.shop.rollability import in_rolling_order

    began = time.monotonic()
    panel, start = panel_and_start(args.panel, args.start)
    wanted = folder = output_folder(args, args.out)
    executor = args.until_done.enter_context(layout_workers(args.workers, args.cluster))
    panel_picture_file(panel, wanted / "panel.png")
    before = _verdict_in(wanted, panel)
    if before is not None:  # the earlier layout stays until a better one is found
        beside = Path(f"{wanted}{BESIDE}")
        args.until_done.callback(_remove_if_empty, beside)  # after its lock is gone
        folder = output_folder(args, beside)
    best: list[Verdict] = []
    seconds_to_first: list[float] = []

    def keep(verdict: Verdict) -> None:
        """Write each better layout at once."""
        if not best:
            remove_bench_files(folder)
        if verdict.met and not seconds_to_first:
            seconds_to_first.append(time.monotonic() - began)
        best[:] = [verdict]
        write_layout(panel, verdict, folder)

    result: SearchResult | Verdict
    try:
        with faults_of_file(args.panel), progress_bar(args.quiet) as progress:
            found = result = search(
                panel,
                effort=args.effort,
                seconds=args.seconds,
                seed=args.seed,
                mesh_level=args.mesh,
                start=start,
                executor=executor,
                progress=lambda share, told: progress(share if share is None else SEARCH_SHARE * share, told),
                on_best=keep,
            )
            if not found.interrupted and (
                args.seconds is None or (not found.cut_short and found.seconds < OUTSIDE_SHARE * args.seconds)
            ):
                short_work = start_bench_margin(panel, found.verdict, executor)  # on the workers, beside what follows
                baseline = with_outside_gauge(panel, found.flat_baseline, progress=progress)
                found = replace(found, flat_baseline=baseline)
                found = with_explanation(panel, found, executor=executor, progress=progress)
                progress(SHORT_WORK_SHARE, "computing what shallow beads and thin sheet would cost")
                found = result = replace(found, bench_margin=short_work())
        verdict, baseline, stopped = found.verdict, found.flat_baseline, found.stopped
        notes = [NO_SECOND_OPINION] if verdict.second_opinion is None and not found.interrupted else []
    except KeyboardInterrupt:
        if not best:
            raise
        result = verdict = best[0]
        baseline, stopped, notes = None, "stopped", []
    where = f"in {folder}"
    if before is not None and rank(panel, verdict) <= rank(panel, before):
        remove_bench_files(folder)
        (folder / "layout.json").unlink(missing_ok=True)
        folder, where = wanted, f"in {wanted}"
    elif before is not None:
        where += f", beside {wanted}, which keeps its better layout ({summary(before)})"
    data = write_bench_files(panel, result, folder, paper=args.paper)
    line = f"{closing_line(verdict, baseline, data)}; {where}; {OPEN_FIRST}"
    helping: list[str] = []
    if isinstance(result, SearchResult):
        helping += worth_lines(in_rolling_order(panel, verdict.layout), result.explanation)
        helping += help_lines(panel, result.explanation)
    own = result.proposals if isinstance(result, SearchResult) else ()
    table = proposal_table(own)
    side_by_side = list(columns(table.head, table.rows, table.right_aligned)) if table else []
    if own and seconds_to_first:
        spent = time.monotonic() - began
        side_by_side.append(f"first layout that meets the demands after {seconds_to_first[0]:.0f} s of {spent:.0f} s")
    give_result(args, data, [*notes, *helping, *side_by_side, f"{stopped}; {line}" if stopped else line])
    return exit_status(data)


def _remove_if_empty(folder: Path) -> None:
    with suppress(OSError):
        folder.rmdir()


def _verdict_in(folder: Path, panel: Panel) -> Verdict | None:
    """The verdict on the layout in a folder; None unless it is of this panel and these demands and breaks no rule."""
    from stiffen.errors import StiffenError
    from stiffen.io.files import read_json
    from stiffen.io.panel_file import read_layout
    from stiffen.io.result_json import verdict_from_document
    from stiffen.shop.layout_check import audit

    file = folder / "layout.json"
    try:
        _, layout = read_layout(file)
        if layout.gauge not in panel.gauges or not panel.within_count_limits(layout) or audit(panel, layout):
            return None
        return verdict_from_document(panel, layout, read_json(file).get("result"))
    except StiffenError:
        return None  # no layout there, or one that cannot be read


# ------------------------------------------------------------------------------------------------------ several panels


def _search_several(args: argparse.Namespace) -> int:
    """Search each panel in a process of its own, into a folder named as the panel file."""
    from stiffen.io.files import read_json

    from .processes import run_all

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
