"""The commands.  Results go to stdout, progress and faults to stderr.

Exit status: 0 all demands met; 1 a demand not met or a shop rule broken; 2 bad input, or a place that cannot be
written; 3 a mesh or a solver failed, or memory ran out; 130 stopped, by Ctrl-C (or SIGTERM, SIGHUP) with nothing to
hand over or because nobody reads on.  There are no colours, so NO_COLOR asks for nothing.
"""

from __future__ import annotations

import _thread
import argparse
import math
import os
import signal
import sys
import textwrap
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import stiffen
from stiffen.errors import Fault, InputError, MeshError, StiffenError

# Everything that needs numpy is imported where it is used, so that --help and --version answer at once.
if TYPE_CHECKING:
    from stiffen.model.layout import Layout
    from stiffen.model.panel import Panel
    from stiffen.model.results import FlatSheetBaseline, SearchResult, Verdict
    from stiffen.optimise.search.sweep import SweepRow
    from stiffen.output.report.comparison import Entry
    from stiffen.shop.process_plan import ProcessPlan

MET, NOT_MET, BAD_INPUT, FAILED, STOPPED = 0, 1, 2, 3, 130
GRADES = ("quick", "normal", "fine")
PAPERS = ("a4", "letter", "roll")
SHEETS = (
    *("marking.dxf", "marking_back.dxf", "template.pdf", "template_back.pdf", "card.pdf", "card.txt", "report.html"),
    *("layout.png", "before_after.png", "judged.png", "deflection.png", "stress.png", "first_mode.png"),
    "load_deflection*.png",
)
TRY_MESH = "another --mesh; beads and holes further from each other and from the edge; fewer points in the outline"
TRY_SOLVER = "see that a [[support]] holds every part of the sheet; another --mesh; another gauge"
Progress = Callable[[float | None, str], None]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; hands back the exit status.  Never raises, never shows a traceback."""
    try:
        args = _parser().parse_args(argv)
    except SystemExit as end:  # argparse has said why
        return int(end.code or 0)
    try:
        with _ends_like_ctrl_c(), _no_ctrl_c_is_lost(), ExitStack() as args.until_done:
            status = args.run(args)
        sys.stdout.flush()
        return status
    except InputError as error:
        for fault in error.faults:
            _complain(str(fault))
        return BAD_INPUT
    except StiffenError as error:
        _complain(f"{_subject(args)}{error}")
        _complain(f"  what may help: {TRY_MESH if isinstance(error, MeshError) else TRY_SOLVER}")
        return FAILED
    except MemoryError:
        _complain(f"{_subject(args)}out of memory")
        _complain("  what may help: --mesh quick; close other programs; leave fewer gauges and demands in the file")
        return FAILED
    except KeyboardInterrupt:
        _complain("stopped")
        return STOPPED
    except BrokenPipeError:
        _drop_output()  # whoever was reading has left
        return STOPPED
    except OSError as error:
        from stiffen.io.files import system_error

        if error.filename is None:  # what is left to print has no place either
            _drop_output()
        _complain(str(system_error(str(error.filename or "output"), "cannot be used", error)))
        return BAD_INPUT
    except Exception as error:  # noqa: BLE001 - a person at the bench has no use for a traceback
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}, line {place.lineno}"
        _complain(f"{_subject(args)}a fault inside stiffen; please report it with this file")
        _complain(f"  {type(error).__name__}: {error} ({where})")
        return FAILED


# ------------------------------------------------------------------------------------------------------------ commands


def _check(args: argparse.Namespace) -> int:
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.io.panel_file import read_layout, read_panel
    from stiffen.io.result_json import result_document
    from stiffen.output.plots.picture_set import write_animation, write_pictures
    from stiffen.output.report.shop_card import demand_table, fastener_table, mass_comparison

    with _reading(args.panel):
        panel = read_panel(args.panel)
    layout = panel.layout(args.gauge)
    if args.layout:
        with _reading(args.layout):
            layout = read_layout(args.layout)[1]
        layout = replace(layout, gauge=args.gauge or layout.gauge)
    folder = _folder(args, args.plot) if args.plot else None
    with _progress(args.quiet) as progress:
        verdict = check(
            panel,
            layout,
            mesh_level=args.mesh,
            fields=bool(folder),
            second_opinion=args.second_opinion,
            progress=progress,
        )
        flat = flat_baseline(panel, mesh_level=args.mesh, progress=progress) if args.rival else None
        beside = _flat_beside(panel, verdict, args.mesh, progress) if folder else None
    if folder:
        write_pictures(panel, verdict, folder, flat=beside)
        write_animation(panel, verdict, folder)
    data = result_document(panel, verdict, flat)
    words = [f"{panel.name}: {panel.material.name}, {_summary(verdict)}"]
    if not args.layout and not args.gauge and len(panel.gauges) > 1:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        words.append(f"the thinnest sheet of the rack ({rack} mm); --gauge takes another")
    words += ["", *demand_table(verdict), ""]
    if loaded := fastener_table(panel, verdict):
        words += ["rivet or bolt that carries most:", *loaded, ""]
    words += [f"look out: {line}" for line in data["warnings"]]
    if flat:
        words.append(mass_comparison(verdict, flat))
    _hand_out(args, data, [*words, data["status"]])
    return MET if data["status"] == "met" else NOT_MET


def _search(args: argparse.Namespace) -> int:
    if len(args.panels) > 1:
        return _search_several(args)
    args.panel = args.panels[0]
    return _sweep(args) if args.sweep else _search_one(args)


def _search_one(args: argparse.Namespace) -> int:
    from stiffen.io.panel_file import layout_document, write_json
    from stiffen.io.result_json import result_document
    from stiffen.optimise.search.driver import search

    panel, start = _panel_and_start(args)
    folder = _folder(args, args.out)
    best: list[Verdict] = []

    def keep(verdict: Verdict) -> None:
        verdict = _in_order(panel, verdict)
        if not best:
            _clear(folder)
        best[:] = [verdict]
        write_json(folder / "layout.json", layout_document(panel, verdict.layout, result_document(panel, verdict)))

    try:
        with _progress(args.quiet) as progress:
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
        verdict, plan = _planned(panel, best[0])
        _write_sheets(panel, verdict, None, folder, args.paper, plan=plan)
        _write_report(panel, verdict, None, None, folder, plan=plan)
        data = result_document(panel, verdict, plan=plan)
        _hand_out(args, data, [f"stopped; {_closing(panel, verdict, None, plan)}; in {folder}"])
        return _status(panel, verdict, plan)
    verdict, plan = _planned(panel, found.verdict)
    data = result_document(panel, verdict, found.flat_baseline, found, plan)
    write_json(folder / "layout.json", layout_document(panel, verdict.layout, data))
    _write_sheets(panel, verdict, found.flat_baseline, folder, args.paper, found, plan)
    beside = None if _is_flat(verdict) else found.flat_verdict
    _write_report(panel, verdict, found.flat_baseline, beside, folder, found, plan)
    stopped = f"{found.stopped}; " if found.stopped else ""
    closing = _closing(panel, verdict, found.flat_baseline, plan)
    _hand_out(args, data, [f"{stopped}{closing}{_only(found)}; in {folder}"])
    return _status(panel, verdict, plan)


def _panel_and_start(args: argparse.Namespace) -> tuple[Panel, Layout | None]:
    """The panel of the command, and the layout that --from names to go on from."""
    from stiffen.io.panel_file import read_layout, read_panel
    from stiffen.optimise.search.driver import continued_panel

    with _reading(args.panel):
        panel = read_panel(args.panel)
    if not args.start:
        return panel, None
    with _reading(args.start):
        start = read_layout(args.start)[1]
        continued_panel(panel, start)
    return panel, start


def _search_several(args: argparse.Namespace) -> int:
    """A search for each panel, in processes of their own; each panel's sheets go to a folder of its own name."""
    from stiffen.io.files import read_json

    from .processes import run_all

    for name in ("sweep", "from"):
        if getattr(args, "start" if name == "from" else name):
            raise InputError([Fault(f"--{name}", f"got {len(args.panels)} panels", "give it one panel at a time")])
    _readable(args.panels)
    folders = {path: Path(args.out) / Path(path).stem for path in args.panels}
    options = ["--seconds", f"{args.seconds!r}", "--seed", f"{args.seed}", "--mesh", args.mesh, "--paper", args.paper]
    commands = {
        path: [sys.executable, "-m", "stiffen", "search", path, "--out", str(folder), "--quiet", *options]
        for path, folder in folders.items()
    }
    many = len(commands)
    with _progress(args.quiet) as progress:
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
            _complain(line)
        lines += [f"{one.name}: {told}"] if told else []
        file = folders[one.name] / "layout.json"
        result = read_json(file).get("result") if one.status in (MET, NOT_MET) and file.exists() else None
        results.append({"panel_file": one.name, "folder": str(folders[one.name]), "exit": one.status, "result": result})
    status = max(FAILED if one.died else one.status for one in ended)
    _hand_out(args, {"status": "met" if status == MET else "not met", "panels": results}, lines)
    return status


def _readable(paths: Sequence[str]) -> None:
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
            with _reading(path):
                read_panel(path)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)


def _sweep(args: argparse.Namespace) -> int:
    """What if: a table and a picture of mass against stiffness, and the layout of each row."""
    from stiffen.io.files import atomic_write
    from stiffen.io.panel_file import layout_document, write_json
    from stiffen.io.result_json import result_document
    from stiffen.optimise.search.sweep import parse_sweep, sweep, sweep_csv, sweep_table
    from stiffen.output.plots.sweep_plot import sweep_picture
    from stiffen.output.report.sections import columns

    panel, start = _panel_and_start(args)
    with _reading(args.panel):
        what = parse_sweep(panel, args.sweep)
    folder = _folder(args, args.out)
    rows: list[SweepRow] = []

    def keep(row: SweepRow) -> None:
        """On disk with every row, so that what is done is never lost."""
        rows.append(row)
        one = what.panel_for(panel, row.value)
        verdict = _in_order(one, row.result.verdict)
        place = folder / f"{what.kind}_{row.value:g}"
        place.mkdir(exist_ok=True)
        data = result_document(one, verdict, row.result.flat_baseline, row.result)
        write_json(place / "layout.json", layout_document(one, verdict.layout, data))
        head, lines = sweep_table(panel, what, tuple(rows))
        text = [*columns(head, lines, right_aligned=range(1, 7)), *(["* not met"] if any(map(_missed, rows)) else [])]
        for name, words in (("sweep.txt", "\n".join(text) + "\n"), ("sweep.csv", sweep_csv(panel, what, tuple(rows)))):
            with atomic_write(folder / name) as fresh:
                fresh.write_text(words, encoding="utf-8")
        sweep_picture(panel, what, tuple(rows), folder / "sweep.png")

    stopped = ""
    try:
        with _progress(args.quiet) as progress:
            sweep(
                panel,
                what,
                seconds=args.seconds,
                seed=args.seed,
                mesh_level=args.mesh,
                start=start,
                progress=progress,
                on_row=keep,
            )
    except KeyboardInterrupt:
        if not rows:
            raise
    if len(rows) < len(what.values) or rows[-1].result.stopped == "interrupted":
        stopped = f"stopped after {len(rows)} of {len(what.values)} rows; "
    text = (folder / "sweep.txt").read_text(encoding="utf-8")
    met = not any(map(_missed, rows)) and not stopped
    data = {
        "status": "met" if met else "not met",
        "swept": what.title(panel),
        "rows": [
            {
                "value": row.value,
                **result_document(
                    what.panel_for(panel, row.value), row.result.verdict, row.result.flat_baseline, row.result
                ),
            }
            for row in rows
        ],
    }
    _hand_out(args, data, [text, f"{stopped}table, picture and layouts in {folder}"])
    return MET if met else NOT_MET


def _missed(row: SweepRow) -> bool:
    return not row.result.verdict.met


def _draw(args: argparse.Namespace) -> int:
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.io.panel_file import layout_document, read_layout, write_json
    from stiffen.io.result_json import result_document

    with _reading(args.layout):
        panel, layout = read_layout(args.layout)
    folder = _folder(args, args.out)
    with _progress(args.quiet) as progress:
        verdict, plan = _planned(panel, check(panel, layout, mesh_level=args.mesh, fields=True, progress=progress))
        flat = flat_baseline(panel, mesh_level=args.mesh, progress=progress)
        beside = _flat_beside(panel, verdict, args.mesh, progress)
    data = result_document(panel, verdict, flat, plan=plan)
    _clear(folder)
    write_json(folder / "layout.json", layout_document(panel, verdict.layout, data))
    _write_sheets(panel, verdict, flat, folder, args.paper, plan=plan)
    _write_report(panel, verdict, flat, beside, folder, plan=plan)
    _hand_out(args, data, [f"{_closing(panel, verdict, flat, plan)}; in {folder}"])
    return _status(panel, verdict, plan)


def _compare(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.output.plots.comparison_plot import comparison_picture
    from stiffen.output.report.comparison import MAX_LAYOUTS, comparison_table, differences, legend
    from stiffen.output.report.sections import columns

    if not 2 <= len(args.layouts) <= MAX_LAYOUTS:
        raise InputError([Fault("compare", f"got {len(args.layouts)} layouts", f"give 2 to {MAX_LAYOUTS}")])
    with _progress(args.quiet) as progress:
        entries = [_entry(path, args, progress) for path in args.layouts]
    folder = _folder(args, args.out)
    comparison_picture(entries, folder / "compare.png")
    head, rows = comparison_table(entries)
    starred = ["* not met"] if any(entry.missed for entry in entries) else []
    told = [textwrap.fill(words, 100, subsequent_indent="  ") for words in differences(entries)]
    names = [*legend(entries), ""] if legend(entries) else []
    text = "\n".join([*names, *columns(head, rows, right_aligned=range(1, len(head))), *starred, "", *told]) + "\n"
    with atomic_write(folder / "compare.txt") as fresh:
        fresh.write_text(text, encoding="utf-8")
    print(text, end="")
    return MET if not starred else NOT_MET


def _tally(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.output.report.build_summary import (
        NUMBER_COLUMNS,
        STOCK_SHEETS,
        SUMMARY_HEAD,
        build_panel,
        csv_text,
        purchase_lines,
        purchases,
        summary_rows,
    )
    from stiffen.output.report.sections import columns

    pieces = []
    for path in (file for name in args.folders for file in _layout_files(name)):
        panel, layout, verdict = _read_judged(path)
        status = "not judged"
        if verdict:
            status = "met" if _status(panel, verdict) == MET else "not met"
        pieces.append(build_panel(panel, layout, status))
    bought = purchases(pieces, args.sheet or STOCK_SHEETS)
    if args.csv:
        with atomic_write(args.csv) as fresh:
            fresh.write_text(csv_text(pieces), encoding="utf-8")
    print(
        *columns(SUMMARY_HEAD, summary_rows(pieces), right_aligned=NUMBER_COLUMNS),
        "",
        "SHEETS",
        *purchase_lines(bought),
        sep="\n",
    )
    if fitted := sum(one.fitted_kg for one in pieces):
        print(f"\nEdge trim and what is bolted on come on top: {fitted:.3f} kg")
    good = all(one.status == "met" for one in pieces) and not any(one.too_large for one in bought)
    return MET if good else NOT_MET


def _trial(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.io.panel_file import read_panel
    from stiffen.output.report.trial_strip import copy_starter_tools, trial_die, trial_text, write_trial

    with _reading(args.panel):
        panel = read_panel(args.panel)
    die = trial_die(panel, args.die)
    gauge = args.gauge or min(panel.gauges)
    folder = _folder(args, args.out)
    copy = copy_starter_tools(panel, folder)
    write_trial(panel, die, gauge, folder / "trial.pdf", paper=args.paper, copy=copy)
    with atomic_write(folder / "trial.txt") as fresh:
        fresh.write_text(trial_text(panel, die, gauge, copy=copy), encoding="utf-8")
    print(f"trial strip of die {die.name} in {gauge:g} mm {panel.material.name}; in {folder}")
    return MET


def _new(args: argparse.Namespace) -> int:
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


def _stock(args: argparse.Namespace) -> int:
    from stiffen.io.panel_file import read_tools, starter_tools
    from stiffen.output.report.catalogue import stock_lines

    tools = starter_tools()
    if args.tools:
        with _reading(args.tools):
            tools = read_tools(args.tools)
    print(*stock_lines(tools), sep="\n")
    return MET


# ------------------------------------------------------------------------------------------------------ what is written


def _folder(args: argparse.Namespace, name: str) -> Path:
    """The output folder, made where it is missing, and ours alone until the command is done."""
    from stiffen.io.folder_lock import locked_folder

    return args.until_done.enter_context(locked_folder(name))


def _hand_out(args: argparse.Namespace, data: dict, words: Sequence[str]) -> None:
    """Print the words, and write the result where --json says; --json - prints it in place of the words."""
    from stiffen.io.files import json_text, write_json

    if args.json == "-":
        print(json_text(data), end="")
        return
    if args.json:
        write_json(args.json, data)
    print(*words, sep="\n")


def _clear(folder: Path) -> None:
    """Take away the sheets of an earlier layout, so that none ever lies beside a layout that it does not show."""
    for pattern in SHEETS:
        for old in folder.glob(pattern):
            old.unlink()


def _write_sheets(
    panel: Panel,
    verdict: Verdict,
    rival: FlatSheetBaseline | None,
    folder: Path,
    paper: str,
    found: SearchResult | None = None,
    plan: ProcessPlan | None = None,
) -> None:
    """Marking drawings, templates of both faces, and the card; a back drawing that is not needed any more goes."""
    from stiffen.io.files import atomic_write
    from stiffen.output.drawing.bench_view import rolled_faces
    from stiffen.output.drawing.marking_dxf import write_marking
    from stiffen.output.drawing.template_pdf import write_template
    from stiffen.output.report.shop_card import card_text
    from stiffen.output.report.shop_card_pdf import write_card

    layout = verdict.layout
    gauges, bound = (found.gauge_outcomes, found.bound) if found else ((), None)
    write_marking(panel, layout, folder / "marking.dxf", verdict=verdict, plan=plan)
    (folder / "marking_back.dxf").unlink(missing_ok=True)
    if "down" in rolled_faces(layout):
        write_marking(panel, layout, folder / "marking_back.dxf", verdict=verdict, plan=plan, face="down")
    write_template(panel, layout, folder / "template.pdf", plan=plan, paper=paper)
    write_template(panel, layout, folder / "template_back.pdf", plan=plan, face="down", paper=paper)
    write_card(
        panel, verdict, folder / "card.pdf", plan=plan, flat_baseline=rival, gauges=gauges, bound=bound, paper=paper
    )
    with atomic_write(folder / "card.txt") as fresh:
        fresh.write_text(
            card_text(panel, verdict, plan=plan, flat_baseline=rival, gauges=gauges, bound=bound), encoding="utf-8"
        )


def _write_report(
    panel: Panel,
    verdict: Verdict,
    rival: FlatSheetBaseline | None,
    flat: Verdict | None,
    folder: Path,
    found: SearchResult | None = None,
    plan: ProcessPlan | None = None,
) -> None:
    """The pictures, and the page that holds them."""
    from stiffen.output.plots.picture_set import write_pictures
    from stiffen.output.report.html_report import write_page

    gauges, bound = (found.gauge_outcomes, found.bound) if found else ((), None)
    pictures = write_pictures(panel, verdict, folder, flat=flat, plan=plan)
    path = folder / "report.html"
    write_page(
        panel, verdict, path, flat_baseline=rival, flat=flat, gauges=gauges, bound=bound, pictures=pictures, plan=plan
    )


def _flat_beside(panel: Panel, verdict: Verdict, grade: str, progress: Progress) -> Verdict | None:
    """The flat sheet of the same gauge with its maps; None where the layout is flat itself."""
    from stiffen.analysis.evaluation import check
    from stiffen.model.layout import Layout

    if _is_flat(verdict):
        return None
    return check(panel, Layout(verdict.layout.gauge), mesh_level=grade, fields=True, progress=progress)


def _layout_files(name: str) -> list[Path]:
    """A layout file itself; that of a folder; those of the folders in a folder."""
    path = Path(name)
    if not path.is_dir():
        return [path]
    found = [path / "layout.json"] if (path / "layout.json").exists() else sorted(path.glob("*/layout.json"))
    if not found:
        raise InputError([Fault(name, "holds no layout.json", "name a folder that search wrote, or a layout file")])
    return found


def _read_judged(path: Path) -> tuple[Panel, Layout, Verdict | None]:
    """Panel and layout of a file, and the verdict in it where it is one of just these."""
    from stiffen.io.files import read_json
    from stiffen.io.panel_file import read_layout
    from stiffen.io.result_json import verdict_from_document

    with _reading(str(path)):
        panel, layout = read_layout(path)
        return panel, layout, verdict_from_document(panel, layout, read_json(path).get("result"))


def _entry(name: str, args: argparse.Namespace, progress: Progress) -> Entry:
    """A layout to compare, judged again where its file holds no verdict on it, or where that is asked for."""
    from stiffen.analysis.evaluation import check
    from stiffen.output.report.comparison import Entry

    files = _layout_files(name)
    if len(files) > 1:
        raise InputError([Fault(name, f"holds {len(files)} folders with a layout", "name one of them")])
    panel, layout, verdict = _read_judged(files[0])
    title = files[0].stem if files[0].stem != "layout" else files[0].resolve().parent.name
    if verdict is None or args.judge:
        try:
            verdict = check(panel, layout, mesh_level=args.mesh, progress=progress)
        except StiffenError as error:
            raise type(error)(f"{files[0]}: {error}") from None
    return Entry(title, panel, verdict)


def _in_order(panel: Panel, verdict: Verdict) -> Verdict:
    """The verdict with its beads in rolling order, so that a bead has one number in all that is written."""
    from stiffen.shop.rollability import in_rolling_order

    return replace(verdict, layout=in_rolling_order(panel, verdict.layout))


def _planned(panel: Panel, verdict: Verdict) -> tuple[Verdict, ProcessPlan]:
    """The process plan of the verdict's layout, and the verdict with its beads in rolling order."""
    from stiffen.shop.process_plan import process_plan

    plan = process_plan(panel, verdict.layout)
    return replace(verdict, layout=plan.layout), plan


def _is_flat(verdict: Verdict) -> bool:
    return not (verdict.layout.beads or verdict.layout.holes)


def _summary(verdict: Verdict) -> str:
    """Gauge, mass, what is to be rolled and flared."""
    from stiffen.output.drawing.bench_view import plural
    from stiffen.output.report.shop_card import mass_text

    layout = verdict.layout
    parts = (plural(layout.beads, "bead"), plural(layout.holes, "flared hole"))
    return f"{layout.gauge:g} mm, {mass_text(verdict.mass_kg)}, {', '.join(parts)}"


def _closing(panel: Panel, verdict: Verdict, rival: FlatSheetBaseline | None, plan: ProcessPlan | None = None) -> str:
    """The one line that a command ends with."""
    from stiffen.output.report.shop_card import mass_comparison

    words = _summary(verdict)
    if rival:
        words += f"; {mass_comparison(verdict, rival)}"
    missed = [demand.label for demand in verdict.demands if not demand.met]
    if missed:
        return f"NOT MET: {', '.join(missed)}; best found {words}"
    return f"met: {words}" if _status(panel, verdict, plan) == MET else f"SHOP RULES BROKEN, see the card; {words}"


def _only(found: SearchResult) -> str:
    """A few words where every lighter sheet of the rack is proven unable."""
    gauge = found.verdict.layout.gauge
    lighter = [outcome for outcome in found.gauge_outcomes if outcome.gauge < gauge]
    if not found.verdict.met or not lighter or not all(outcome.is_infeasible for outcome in lighter):
        return ""
    return "; no lighter sheet of the rack can (ribbed-plate model)"


def _status(panel: Panel, verdict: Verdict, plan: ProcessPlan | None = None) -> int:
    from stiffen.shop.layout_check import audit

    broken = plan.violations if plan else audit(panel, verdict.layout)
    return MET if verdict.met and not broken else NOT_MET


# --------------------------------------------------------------------------------------------------- screen and options


def _complain(words: str) -> None:
    print(words, file=sys.stderr)


def _drop_output() -> None:
    """Send what is still to be printed nowhere, so that Python does not stumble over it at its end."""
    with suppress(OSError):  # what stands in for stdout may be no file
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def _ends_like_ctrl_c() -> Iterator[None]:
    """Let SIGTERM and SIGHUP, unless they are ignored, stop a command as Ctrl-C does: the best so far is kept."""
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):  # Windows has not both
            number = getattr(signal, name, None)
            if number and signal.getsignal(number) != signal.SIG_IGN:
                before[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _no_ctrl_c_is_lost() -> Iterator[None]:
    """Where Ctrl-C falls into a place that swallows it, as a weak reference's callback does, send it once more."""
    before = sys.unraisablehook

    def again(swallowed: sys.UnraisableHookArgs) -> None:
        if issubclass(swallowed.exc_type, KeyboardInterrupt):
            threading.Timer(0.05, _thread.interrupt_main).start()  # not now: this hook is such a place itself
        else:
            before(swallowed)

    sys.unraisablehook = again
    try:
        yield
    finally:
        sys.unraisablehook = before


def _subject(args: argparse.Namespace) -> str:
    """The file that a command is about, to stand before a complaint."""
    name = getattr(args, "panel", None) or getattr(args, "layout", None)
    return f"{name}: " if name else ""


@contextmanager
def _reading(path: str) -> Iterator[None]:
    """Set the file's name before the place of each fault found in it."""
    try:
        yield
    except InputError as error:
        faults = [
            fault
            if fault.where.startswith(path)
            else replace(fault, where=": ".join(filter(None, (path, fault.where))))
            for fault in error.faults
        ]
        raise InputError(faults) from None


@contextmanager
def _progress(quiet: bool) -> Iterator[Progress]:
    """A bar on stderr where a person watches; nothing otherwise."""
    if quiet or not sys.stderr.isatty():
        yield lambda fraction, words: None
        return
    from tqdm import tqdm

    shape = "{percentage:3.0f} % |{bar:20}| {elapsed} {desc}"
    with tqdm(total=1.0, bar_format=shape, leave=False, file=sys.stderr, dynamic_ncols=True) as bar:

        def show(fraction: float | None, words: str) -> None:
            if fraction is not None:
                bar.n = min(max(fraction, 0.0), 1.0)
            bar.set_description_str(words)

        yield show


def _positive(unit: str) -> Callable[[str], float]:
    def number(words: str) -> float:
        try:
            value = float(words)
        except ValueError:
            value = math.nan
        if not 0 < value < math.inf:
            raise argparse.ArgumentTypeError(f"{words!r} is not a number of {unit} greater than 0")
        return value

    return number


def _seed(words: str) -> int:
    if not words.isdecimal():
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number, 0 or more")
    return int(words)


def _count(words: str) -> int:
    if not words.isdecimal() or int(words) < 1:
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number, 1 or more")
    return int(words)


def _sheet(words: str) -> tuple[float, float]:
    sides = words.lower().split("x")
    try:
        x, y = (float(side) for side in sides)
    except ValueError:
        x = y = math.nan
    if not (0 < x < math.inf and 0 < y < math.inf):
        raise argparse.ArgumentTypeError(f"{words!r} is not a sheet size in mm, such as 2000x1000")
    return x, y


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="stiffen",
        description="Decide beads, flared holes and gauge for a sheet-metal panel before the sheet is cut.\n"
        "Lengths in mm, forces in N, pressures in MPa, masses in kg, frequencies in Hz.",
        epilog="A first panel:\n"
        "  stiffen new hatch.toml                    a commented panel file to edit\n"
        "  stiffen check hatch.toml                  the panel as it stands against its demands\n"
        "  stiffen search hatch.toml --out hatch     beads, holes and gauge of least mass\n"
        "  stiffen draw hatch/layout.json --out new  drawings again, after an edit by hand\n\n"
        "Exit status: 0 demands met; 1 not met, or a shop rule broken; 2 bad input; 3 a mesh or solver failed.\n"
        "The numbers are a design aid: proof-load the finished panel before anyone relies on it.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"stiffen {stiffen.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, run: Callable, short: str, long: str, examples: str) -> argparse.ArgumentParser:
        one = commands.add_parser(
            name,
            help=short,
            description=long,
            epilog=f"Examples:\n{examples}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        one.set_defaults(run=run)
        return one

    check = command(
        "check",
        _check,
        "judge a panel as it stands",
        "Judge the panel, with the beads and holes its file gives, against its demands.",
        "  stiffen check hatch.toml --gauge 1.2\n"
        "  stiffen check hatch.toml --layout out/layout.json --json result.json --plot pictures\n"
        "  stiffen check hatch.toml --json - | python -m json.tool\n",
    )
    check.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    check.add_argument("--layout", metavar="L.json", help="judge the beads and holes of this layout instead")
    check.add_argument(
        "--gauge",
        metavar="MM",
        type=_positive("mm"),
        help="sheet thickness, mm (default: the layout's, or the thinnest)",
    )
    check.add_argument("--rival", action="store_true", help="also look for the flat sheet that meets the demands")
    check.add_argument(
        "--second-opinion",
        action="store_true",
        help="ask another shell element too; more than 5 %% between them is a warning",
    )
    check.add_argument(
        "--plot",
        metavar="DIR",
        help="write pictures here: layout, maps beside those of the flat sheet, first mode as GIF",
    )

    search = command(
        "search",
        _search,
        "find beads, holes and gauge of least mass",
        "Find the gauge, beads and flared holes of least mass that meet the demands.\n"
        "Writes layout.json (each time a better layout is found), marking.dxf (and marking_back.dxf where beads\n"
        "stand on both faces), template.pdf, template_back.pdf, card.pdf, card.txt, report.html and pictures:\n"
        "layout.png, before_after.png (judged.png where the flat sheet will do) and more. Ctrl-C ends it early; the\n"
        "best so far is kept. Of several panels each gets a folder of its own in DIR. A sweep writes sweep.txt,\n"
        "sweep.csv, sweep.png (mass against stiffness) and, in a folder for each value, layout.json to draw from.",
        "  stiffen search hatch.toml --out out/hatch\n"
        "  stiffen search hatch.toml --out out/hatch --seconds 600 --seed 3\n"
        "  stiffen search hatch.toml --from out/hatch/layout.json --out out/hatch2\n"
        "  stiffen search floor.toml hatch.toml cheek.toml --jobs 2 --out out\n"
        "  stiffen search hatch.toml --sweep frequency=30,40,50,60 --out out/what_if\n"
        "  stiffen search hatch.toml --sweep gauge=0.8,1.0,1.2 --seconds 30 --out out/sheets\n",
    )
    search.add_argument("panels", metavar="PANEL.toml", nargs="+", help="the panel file; several: all of a build")
    search.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    search.add_argument(
        "--seconds",
        metavar="S",
        type=_positive("seconds"),
        default=60.0,
        help="time to search and judge, s, for each panel and each row of a sweep (default 60)",
    )
    search.add_argument(
        "--seed",
        metavar="N",
        type=_seed,
        default=0,
        help="start of the random numbers (default 0)",
    )
    search.add_argument(
        "--from",
        dest="start",
        metavar="L.json",
        help="go on from this layout; what is marked fixed in it stays",
    )
    search.add_argument(
        "--jobs", metavar="N", type=_count, default=1, help="panels to search at the same time (default 1)"
    )
    search.add_argument(
        "--sweep",
        metavar="WHAT=VALUES",
        help="what if: limit=2,3,4 (of several demands name one: frequency=30,40), gauge=0.8,1.0 or dies=1,2",
    )

    draw = command(
        "draw",
        _draw,
        "judge a layout again and write its drawings",
        "Judge a layout again, also one edited by hand, and write what search writes.",
        "  stiffen draw out/hatch/layout.json --out out/hatch2\n",
    )
    draw.add_argument("layout", metavar="L.json", help="a layout.json that search or draw wrote")
    draw.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")

    trial = command(
        "trial",
        _trial,
        "print a trial strip for a bead die",
        "Write the card of a trial strip: the strip at 1:1 with a line where each pass begins, a table for the\n"
        "depths, how to measure them, and how to enter them in the tools file; from there they set the turns.\n"
        "Writes trial.pdf and trial.txt, and tools.toml, a copy of the built-in tools, where the panel uses those.",
        "  stiffen trial hatch.toml --die B16 --gauge 1.0 --out strip\n",
    )
    trial.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    trial.add_argument("--die", metavar="NAME", required=True, help="the bead die")
    trial.add_argument(
        "--gauge", metavar="MM", type=_positive("mm"), help="sheet thickness, mm (default: the thinnest of the rack)"
    )
    trial.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")

    for one in (search, draw, trial):
        one.add_argument(
            "--paper",
            choices=PAPERS,
            default="a4",
            help="paper of the 1:1 sheets; a roll is one long sheet for a plotter (default a4)",
        )

    compare = command(
        "compare",
        _compare,
        "set layouts side by side",
        "Set two to six layouts side by side: one table, one picture, and how each differs from the first.\n"
        "Takes the results in the layout files; judges a layout where its file holds none, or one of another layout.\n"
        "Writes compare.txt and compare.png.",
        "  stiffen compare out/hatch out/hatch2 --out out/both\n"
        "  stiffen compare a.json b.json c.json --judge --out out/three\n",
    )
    compare.add_argument("layouts", metavar="L.json", nargs="+", help="layout files, or the folders they lie in")
    compare.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    compare.add_argument("--judge", action="store_true", help="judge all of them again")

    for one in (check, search, draw):
        one.add_argument(
            "--json", metavar="F.json", help="write the result here; - prints it, and nothing else, on the screen"
        )
    for one in (check, search, draw, compare):
        one.add_argument("--mesh", choices=GRADES, default="normal", help="how fine to compute (default normal)")
        one.add_argument("--quiet", action="store_true", help="no progress on the screen")

    tally = command(
        "tally",
        _tally,
        "add up the panels of one build",
        "Add up the panels of one build: mass, sheets to buy by material and gauge with the place of each blank,\n"
        "what there is to roll, flare and rivet, minutes. A folder named twice counts twice.",
        "  stiffen tally out --csv build.csv\n"
        "  stiffen tally out/hatch out/cheek_left out/cheek_right --sheet 2000x1000\n",
    )
    tally.add_argument("folders", metavar="DIR", nargs="+", help="folders of layouts, or layout files")
    tally.add_argument("--csv", metavar="F.csv", help="write the table here, a line a panel")
    tally.add_argument(
        "--sheet",
        metavar="XxY",
        type=_sheet,
        action="append",
        help="stock size, mm; give it again for more (default 2000x1000 and 2500x1250)",
    )

    new = command(
        "new",
        _new,
        "write a panel file to start from",
        "Write a commented panel file to start from. A file that is there already is left alone.",
        "  stiffen new hatch.toml\n",
    )
    new.add_argument("file", metavar="FILE", help="the panel file to write")
    stock = command(
        "stock",
        _stock,
        "list the built-in materials and tools",
        "List the built-in materials and the starter tools, or the tools of your own file.",
        "  stiffen stock\n  stiffen stock --tools shop.toml\n",
    )
    stock.add_argument("--tools", metavar="TOOLS.toml", help="your own tools file")
    return parser
