"""One panel: searched, each better layout written at once, then explained and written whole."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..inputs import faults_of_file, panel_and_start, search_options
from ..output_files import OPEN_FIRST, closing_line, exit_status, give_result, panel_picture_file
from ..processes import layout_workers
from ..terminal import Progress, progress_bar
from .result_folder import ResultFolder

if TYPE_CHECKING:
    from stiffen.model.layout import Layout
    from stiffen.model.panel import Panel
    from stiffen.model.results import SearchResult, Verdict
    from stiffen.proof.bench_margin import StartedBenchMargin

SEARCH_SHARE, SHORT_WORK_SHARE = 0.85, 0.9  # of the command's time: the search ends, short work is computed; measured
OUTSIDE_SHARE = 0.5  # of the time limit: later, nothing is left for sheets outside the rack and explanations


@dataclass(eq=False)
class BestSoFar:
    """The best verdict so far, in the folder too.

    began: s, when the command began.  drawn: waits for the picture of the panel; it raises InputError where the folder
    has no room.
    """

    panel: Panel
    folder: Path
    began: float
    drawn: Callable[[], None]
    verdict: Verdict | None = None
    seconds_to_first: float | None = None

    def keep(self, verdict: Verdict) -> None:
        """Write a better layout at once."""
        from stiffen.output.bench_files import remove_bench_files, write_layout

        if self.verdict is None:
            self.drawn()
            remove_bench_files(self.folder)
        if verdict.met and self.seconds_to_first is None:
            self.seconds_to_first = time.monotonic() - self.began
        self.verdict = verdict
        write_layout(self.panel, verdict, self.folder)


def search_one(args: argparse.Namespace) -> int:
    """Search one panel; the exit status."""
    from stiffen.model.results import SearchResult
    from stiffen.output.bench_files import write_bench_files
    from stiffen.output.report.card_sections.demand_section import NO_SECOND_OPINION

    began = time.monotonic()
    panel, start = panel_and_start(args.panel, args.start)
    folder = ResultFolder.opened(args, panel)
    executor = args.until_done.enter_context(layout_workers(args.workers, args.cluster))
    own_workers = None if args.cluster else executor
    drawn = _start_picture(panel, folder.wanted / "panel.png", own_workers)
    best = BestSoFar(panel, folder.used, began, drawn)
    result: SearchResult | Verdict
    notes: list[str] = []
    try:
        with faults_of_file(args.panel), progress_bar(args.quiet) as progress:
            result = _found(args, panel, start, executor, progress, best)
        verdict, baseline, stopped = result.verdict, result.flat_baseline, result.stopped
        if verdict.second_opinion is None and not result.interrupted:
            notes.append(NO_SECOND_OPINION)
    except KeyboardInterrupt:
        if best.verdict is None:
            raise
        result = verdict = best.verdict
        baseline, stopped = None, "stopped"
    written, where = folder.settled(panel, verdict)
    whole = isinstance(result, SearchResult) and not result.interrupted
    free = own_workers if whole and args.seconds is None else None  # idle by now
    data = write_bench_files(panel, result, written, paper=args.paper, executor=free)
    line = f"{closing_line(panel, verdict, baseline, data)}; {where}; {OPEN_FIRST}"
    if isinstance(result, SearchResult):
        notes += _told(panel, result, best)
    give_result(args, data, [*notes, f"{stopped}; {line}" if stopped else line])
    return exit_status(data)


def _start_picture(panel: Panel, path: Path, executor: Executor | None) -> Callable[[], None]:
    """Draw the panel as it was read, on a worker if there is one; a function that waits for it."""
    if executor is None:
        panel_picture_file(panel, path)
        return lambda: None
    return executor.submit(panel_picture_file, panel, path).result


def _found(
    args: argparse.Namespace,
    panel: Panel,
    start: Layout | None,
    executor: Executor | None,
    progress: Progress,
    best: BestSoFar,
) -> SearchResult:
    """The result of the search, with what explains it unless time is up."""
    from stiffen.analysis.flat_sheet import with_outside_gauge
    from stiffen.optimise.explain.explaining import with_explanation
    from stiffen.optimise.search.driver import search
    from stiffen.proof.bench_margin import start_bench_margin

    started: dict[Layout, StartedBenchMargin] = {}

    def decided(verdict: Verdict, quick_utilisations: tuple[float, ...] | None) -> None:
        started[verdict.layout] = start_bench_margin(panel, verdict, executor, quick_utilisations)

    def explained(found: SearchResult) -> SearchResult:
        in_time = args.seconds is None or (not found.cut_short and found.seconds < OUTSIDE_SHARE * args.seconds)
        if not in_time:
            return found
        own = found.verdict
        short_work = started.get(own.layout)  # on the workers, beside what follows
        if short_work is None:
            short_work = start_bench_margin(panel, own, executor, found.quick_utilisations)
        else:
            short_work.advance()
        baseline = with_outside_gauge(panel, found.flat_baseline, progress=progress)
        found = replace(found, flat_baseline=baseline)
        found = with_explanation(panel, found, executor=executor, progress=progress)
        progress(SHORT_WORK_SHARE, "computing what shallow beads and thin sheet would cost")
        return replace(found, bench_margin=short_work())

    return search(
        panel,
        **search_options(args),
        start=start,
        executor=executor,
        progress=lambda share, told: progress(share if share is None else SEARCH_SHARE * share, told),
        on_best=best.keep,
        on_decided=decided,
        meanwhile=explained,
    )


def _told(panel: Panel, result: SearchResult, best: BestSoFar) -> Iterator[str]:
    """Lines on what each part is worth, what would help, and the proposals side by side."""
    from stiffen.output.report.explanation_sections import help_lines, worth_lines
    from stiffen.output.report.proposal_table import proposal_table
    from stiffen.output.report.sections import columns
    from stiffen.shop.rollability import in_rolling_order

    yield from worth_lines(in_rolling_order(panel, result.verdict.layout), result.explanation)
    yield from help_lines(panel, result.explanation)
    if table := proposal_table(result.proposals):
        yield from columns(table.head, table.rows, table.right_aligned)
    if result.proposals and best.seconds_to_first is not None:
        spent = time.monotonic() - best.began
        yield f"first layout that meets the demands after {best.seconds_to_first:.0f} s of {spent:.0f} s"
