"""What is left of each demand's margin if the work at the bench comes out short: shallow beads, thin sheet.

The shell's quick mesh gives how much a utilisation changes; the verdict's own value is multiplied by it.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from concurrent.futures import Executor
from dataclasses import dataclass

from stiffen.errors import InputError
from stiffen.model.explanation import Estimate
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, Verdict
from stiffen.model.thickness_tolerance import thickness_tolerance
from stiffen.optimise.explain.estimator import Estimator, Variant

from .builds import Build, apply_build

SHALLOW = 0.9  # of the die's depth: what a first panel may come out at; common practice, no source
FAR_OVER = 1.5  # utilisation above which a demand is followed no further
DEPTH_SHARES = (0.8, 0.7, 0.6, 0.5, 0.4)  # of the depth, of which the least that does is told


def bench_margin(panel: Panel, verdict: Verdict, executor: Executor | None = None) -> BenchMargin | None:
    """Margins with shallow beads and with the sheet at its lower tolerance; least depth at which all demands hold.

    None if there is no demand, one is missed, or a quick evaluation fails.  executor: evaluates on its workers.
    """
    return start_bench_margin(panel, verdict, executor)()


def start_bench_margin(
    panel: Panel,
    verdict: Verdict,
    executor: Executor | None = None,
    quick_utilisations: tuple[float, ...] | None = None,
) -> StartedBenchMargin:
    """Start the first evaluations of `bench_margin` on the workers.

    quick_utilisations: of the verdict's layout on the shell's quick mesh, if they are known.
    """
    started = StartedBenchMargin(_rounds(panel, verdict, executor, quick_utilisations))
    started.advance()
    return started


@dataclass(eq=False)
class StartedBenchMargin:
    """A bench margin under way; called, it waits for the result."""

    _left: Generator[None, None, BenchMargin | None]
    _found: tuple[BenchMargin | None, ...] = ()

    def advance(self) -> None:
        """Wait for the evaluations under way and start those that follow from them, if there are any."""
        try:
            next(self._left)
        except StopIteration as end:
            self._found = (end.value,)

    def __call__(self) -> BenchMargin | None:
        """The result."""
        while not self._found:
            self.advance()
        return self._found[0]


def _rounds(
    panel: Panel, verdict: Verdict, executor: Executor | None, quick_utilisations: tuple[float, ...] | None
) -> Generator[None, None, BenchMargin | None]:
    """Rounds of evaluations of `bench_margin`: yields when one is started, returns the result."""
    layout = verdict.layout
    if not panel.demands or not verdict.met:
        return None
    tolerance = thickness_tolerance(panel.material, layout.gauge)
    thin = round(layout.gauge - tolerance.mm, 3)
    shares = (SHALLOW, *DEPTH_SHARES) if layout.beads else ()
    shallow: dict[float, Variant] = {}
    for share in shares:
        build = _at_depth(panel, layout, share)
        if build is None:
            break
        shallow[share] = build
    estimator = Estimator(panel, verdict, executor, quick_utilisations)
    depths = list(shallow)
    wanted = depths[:1]  # SHALLOW, if there are beads
    first = [apply_build(panel, layout, Build(thin)), *(shallow[share] for share in wanted)]
    estimates = estimator.start_confirm(first, FAR_OVER)
    yield
    with_thin, *more = estimates()
    if not math.isfinite(with_thin.utilisation):
        return None
    found = dict(zip(wanted, more, strict=True))
    known = {1.0: min(verdict.utilisation, 1.0)} | {share: one.utilisation for share, one in found.items()}
    while wanted := _to_evaluate(depths, known):
        estimates = estimator.start_confirm([shallow[share] for share in wanted], FAR_OVER)
        yield
        known |= {share: one.utilisation for share, one in zip(wanted, estimates(), strict=True)}
    least = _least_that_holds(known)
    return BenchMargin(
        labels=tuple(demand.label for demand in panel.demands),
        thin_sheet=thin,
        standard=tolerance.standard,
        with_thin_sheet=_margins(panel, with_thin),
        with_shallow_beads=_margins(panel, found.get(SHALLOW)),
        least_depth_share=least if least < 1.0 else None,
        least_share_tried=min(shares, default=None),
    )


def _least_that_holds(known: dict[float, float]) -> float:
    """The least share of the depth that holds, as those above it do.  known: share -> utilisation; 1.0 holds."""
    failing = max((share for share, value in known.items() if value > 1.0), default=0.0)
    return min(share for share in known if share > failing)


def _to_evaluate(depths: list[float], known: dict[float, float]) -> list[float]:
    """The shares of the depth to evaluate next, at most two; none where it is known which is the least that holds.

    known: share -> utilisation.  In proportion between the least that holds and the next that fails, or beyond what is
    known where none fails, the first is expected to hold and the second to fail.
    """
    holds = _least_that_holds(known)
    fails = max((share for share in known if share < holds), default=0.0)
    between = [share for share in depths if fails < share < holds]
    upper, lower = (holds, fails) if fails else (1.0, min(known))
    rise = known[lower] - known[upper]
    reached = upper - (1.0 - known[upper]) * (upper - lower) / rise if 0 < rise < math.inf else 0.0
    expected = sum(share >= reached for share in between) - 1
    return between[max(expected, 0) : max(expected, 0) + 2]


def _at_depth(panel: Panel, layout: Layout, share: float) -> Variant | None:
    """Panel and layout with beads of a share of their dies' depth; None if a profile does not allow it."""
    depths = {bead.die.name: share * bead.die.depth for bead in layout.beads}
    try:
        return apply_build(panel, layout, Build(layout.gauge, tuple(sorted(depths.items()))))
    except InputError:
        return None


def _margins(panel: Panel, estimate: Estimate | None) -> tuple[float, ...]:
    """Margin of each demand; empty if it is not known."""
    if estimate is None or not math.isfinite(estimate.utilisation):
        return ()
    return tuple(demand.margin(value) for demand, value in zip(panel.demands, estimate.values, strict=True))
