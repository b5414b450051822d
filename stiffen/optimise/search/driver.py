"""The search: gauge by gauge from the thinnest, beads by the scout, the last word by the judge, holes at the end.

At each gauge: the flat sheet; then beads chosen on the scout, judged, the scout corrected by what the judge says, and
so on.  Where large deflection decides, the scout ranks wrongly; there layouts that a hand would draw, and what local
moves make of them, are judged one by one on the quick mesh.  A small share of the time goes to what can be proven.
Repeatable: the same panel and seed give the same layout, in whichever process, unless the clock cuts a part of the
search short; `Found.cut_short` says whether it did.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import numpy as np

from stiffen.analysis.evaluation import Progress, check, judged, quiet, rival
from stiffen.errors import Fault, InputError, SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Found, Rival, Verdict
from stiffen.optimise.bounds.linear_program import Terms
from stiffen.optimise.bounds.lower_bound import WHOLE
from stiffen.optimise.bounds.statements import Ground, bound_record, cost, is_proof, least_minutes, no_layout_can
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.candidate_set import fixed_of, minutes_each
from stiffen.optimise.candidates.straight_beads import conflicts
from stiffen.shop import layout_check
from stiffen.shop.rolling_bow import balanced
from stiffen.surrogate.stiffened_plate import scout

from .bead_removal import pared
from .gauge_search import AS_IT_IS, CLOSE, EARLY, LAST, ONCE_MORE, SLICE, Attempt
from .hole_placement import add_holes
from .state import Hunt, OnBest, nobody

PROVING = 0.08  # share of all the time that is kept for proofs
HOLING = 0.15  # and for flared holes
AGAIN = 3  # times that a gauge took to draw up, left at least if it is to be drawn up again without symmetry
SPARE = 2  # shares of the time, one a gauge, that the first look at all gauges leaves
SCOUTING = 0.25  # share of the time left that choosing by the scout may take at one gauge looked at closer


@one_thread
def search(
    panel: Panel,
    *,
    seconds: float = 60.0,
    seed: int = 0,
    grade: str = "normal",
    start: Layout | None = None,
    progress: Progress = quiet,
    on_best: OnBest = nobody,
) -> Found:
    """The lightest layout found that the judge says meets the panel's demands, and what is proven about it.

    It is never worse than the beads and holes in the panel's own file where these keep the rules, nor than `start`.

    start: a layout to go on from; it counts as found, and its fixed beads and holes stay.  on_best is called with the
    verdict of each better layout as soon as it is judged.  progress is told the fraction of the time used and what is
    going on.  Ctrl-C (KeyboardInterrupt) ends the search with the best so far, as running out of `seconds` does;
    `Found.stopped` says so.  InputError where `start` breaks a rule of the shop or its gauge is not in the rack.
    """
    begun = time.monotonic()
    if start is not None:
        panel = going_on(panel, start)
    proving = PROVING * seconds if panel.goal == "lightest" else 0.0
    hunt = Hunt(panel, begun + seconds - proving, seed, grade, progress, on_best, end=begun + seconds)
    hunt.own = tuple(one for one in (panel.layout(), start) if one is not None and _asked(panel, one))
    stopped, bound = "", None
    flat_rival = Rival(None, None)
    try:
        if start is not None:
            hunt.judge(start)
        _hunt_down(hunt)
        _balance(hunt)
        if hunt.left <= 0:
            stopped, hunt.cut_short = f"{seconds:g} s were not enough to try everything", True
        bound = _proven(hunt, proving)
        hunt.tell("looking for the flat sheet that meets the same demands")
        known = {layout.gauge: bad for layout, (bad, _) in hunt.glances.items() if layout == Layout(layout.gauge)}
        flat_rival = rival(panel, grade=grade, known=known)
        _fall_back(hunt, flat_rival)
    except KeyboardInterrupt:
        stopped = "interrupted"
    best = hunt.best.layout if hunt.best else panel.layout()
    hunt.tell("judging the best layout for the record")
    whole = hunt.stood or judged(panel, best, grade=grade)
    verdict = whole.recorded(maps=True, second_opinion=stopped != "interrupted")
    flat = check(panel, Layout(best.gauge), grade=grade, maps=True, error=False)
    return Found(
        verdict=verdict,
        flat=flat,
        rival=flat_rival,
        gauges=tuple(sorted(hunt.reasons.items())),
        bound=bound,
        cut_short=hunt.cut_short or stopped == "interrupted",
        seed=seed,
        candidates=hunt.candidates,
        stopped=stopped,
        seconds=time.monotonic() - begun,
    )


def _fall_back(hunt: Hunt, flat: Rival) -> None:
    """Take the flat sheet where no beaded one was found that meets the demands."""
    fixed = fixed_of(hunt.panel.beads) + fixed_of(hunt.panel.holes)
    met = hunt.best is not None and hunt.best.met
    if flat.gauge_mm is not None and not met and not fixed and hunt.panel.goal == "lightest":
        hunt.judge(Layout(flat.gauge_mm))
        hunt.reasons[flat.gauge_mm] = AS_IT_IS


def _balance(hunt: Hunt) -> None:
    """Turn beads to the other face where that bows the sheet less, the panel allows both, and the judge says met."""
    if hunt.best is None or not hunt.best.met:
        return
    layout = balanced(hunt.panel, hunt.best.layout)
    if layout != hunt.best.layout and not layout_check.audit(hunt.panel, layout):
        hunt.tell("turning beads to the other face, so that the sheet bows less")
        verdict = hunt.judge(layout)
        if verdict.met:
            hunt.take(verdict)


def _asked(panel: Panel, layout: Layout) -> bool:
    """True where a layout has any bead or hole, and no more beads and dies than the panel asks for."""
    return bool(layout.beads + layout.holes) and panel.few_enough(layout)


def _joined(own: tuple, others: tuple) -> tuple:
    """The panel's beads (or holes) and those fixed in a layout, each once."""
    return own + tuple(item for item in fixed_of(others) if item not in own)


def going_on(panel: Panel, start: Layout) -> Panel:
    """The panel with what is fixed in a layout that a search is to go on from.

    InputError where the layout breaks a rule of the shop or its gauge is not in the rack.
    """
    panel = replace(panel, beads=_joined(panel.beads, start.beads), holes=_joined(panel.holes, start.holes))
    cure = "mend it in the layout, or leave it out"
    faults = [Fault(breach.where, breach.what, cure) for breach in layout_check.audit(panel, start)]
    if start.gauge not in panel.gauges:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        faults.append(Fault("gauge", f"{start.gauge:g} is not in the rack of the panel", f"one of: {rack}"))
    if faults:
        raise InputError(faults)
    return panel


def search_all(panels: Sequence[Panel], *, executor: Executor | None = None, **options: Any) -> list[Found]:
    """`search` for each panel, at once on the workers of any `concurrent.futures.Executor` (default: one by one).

    options go to each `search`; progress and on_best stay out of other processes.  The layouts are the same whatever
    the executor and the number of its workers, as far as `search` is repeatable: where `Found.cut_short` is False.  A
    worker that dies shows as the executor has it, a broken pool mostly; what is written is the caller's affair.
    """
    if executor is None:
        return [search(panel, **options) for panel in panels]
    waiting = [executor.submit(search, panel, **options) for panel in panels]
    return [one.result() for one in waiting]


def _hunt_down(hunt: Hunt) -> None:
    """Go up the gauges until the scout's layouts meet; then look closer at the lighter ones; then holes.

    Asked for the stiffest, stay at the thinnest gauge and leave the sheet whole.
    """
    panel = hunt.panel
    stiffest = panel.goal == "stiffest"
    first, *others = _attempts(panel)
    gauges = sorted(panel.gauges)[: 1 if stiffest else None]
    end = hunt.deadline
    hunt.deadline -= 0.0 if stiffest or not panel.tools.hole_dies else HOLING * (end - hunt.start)
    looked: list[Attempt] = []
    met: tuple[Verdict, Attempt] | None = None
    for count, gauge in enumerate(gauges):
        if hunt.left <= 0:
            hunt.reasons[gauge] = "not tried: time was up"
            continue
        here = hunt.opened[gauge] = Attempt.opened(hunt, gauge, first)
        found = here.by_scout(hunt, 1 / (len(gauges) - count + SPARE))
        if found is not None:
            met = found, here
            break
        if here.heavy and hunt.best_at.get(gauge, math.inf) <= CLOSE and hunt.left > 0 and not stiffest:
            found = here.one_by_one(hunt, EARLY)
            if found is not None:
                met = found, here
                break
        looked.append(here)
    for here in reversed(looked):
        better = _looked_closer(hunt, here, others) if hunt.left > 0 else None
        met = better or met
    if met is not None and not stiffest:
        verdict, here = pared(hunt, *met), met[1]
        hunt.deadline = end
        _holed(hunt, verdict, here, others)


def _holed(hunt: Hunt, verdict: Verdict, here: Attempt, others: Sequence[str]) -> None:
    """Holes; then beads without symmetry, as fewer of them leave room for more holes."""
    add_holes(hunt, verdict, here.pool)
    for along in others if hunt.panel.tools.hole_dies else ():
        if along == here.along:
            continue
        if hunt.left <= AGAIN * here.took:
            hunt.cut_short = True
        else:
            told = hunt.reasons[here.gauge]
            plain = Attempt.opened(hunt, here.gauge, along)
            found = plain.by_scout(hunt, SCOUTING)
            hunt.reasons[here.gauge] = told
            if found is not None:
                add_holes(hunt, found, plain.pool)


def _looked_closer(hunt: Hunt, here: Attempt, others: Sequence[str]) -> tuple[Verdict, Attempt] | None:
    """By the scout with more time, without symmetry where that may do, then one layout at a time.

    That first where the scout cannot rank.
    """
    done = here.heavy  # one by one
    stiffest = hunt.panel.goal == "stiffest"
    share = LAST if stiffest else SLICE
    if here.heavy or here.hurried:
        found = here.one_by_one(hunt, SLICE if others else share) if done else here.by_scout(hunt, SCOUTING)
        if found is not None:
            return found, here
    for along in others:
        if hunt.best_at[here.gauge] > ONCE_MORE and not stiffest:
            break
        here, done = Attempt.opened(hunt, here.gauge, along), False
        hunt.opened[here.gauge] = here
        found = here.by_scout(hunt, SCOUTING)
        if found is not None:
            return found, here
    found = here.one_by_one(hunt, share) if hunt.left > 0 and not done else None
    return None if found is None else (found, here)


def _attempts(panel: Panel) -> tuple[str, ...]:
    """Symmetries to try in turn: the panel's own first where that is left to us, then none."""
    along = symmetry.axes(panel)
    return (along, "") if along and panel.symmetry == "auto" else (along,)


def _proven(hunt: Hunt, seconds: float) -> dict | None:
    """Put a proof in place of the reason of each lighter gauge where there is one; a bound on the work of the best."""
    best = hunt.best
    if hunt.panel.goal == "stiffest" or best is None:
        return None
    end = time.monotonic() + seconds
    lighter = [g for g in sorted(hunt.panel.gauges) if g < best.layout.gauge or not best.met]
    opened = [g for g in lighter if g in hunt.opened]
    for k, gauge in enumerate(opened):
        hunt.tell(f"{gauge:g} mm: can any layout do?")
        share = (end - time.monotonic()) / (len(opened) - k + best.met)
        words = no_layout_can(_ground(hunt, hunt.opened[gauge]), share)
        hunt.reasons[gauge] = words or hunt.reasons[gauge]
    if not best.met or best.layout.gauge not in hunt.opened:
        return None
    ground = _ground(hunt, hunt.opened[best.layout.gauge], best.layout.beads)
    same = [v for v in hunt.judged.values() if v.met and v.layout.gauge == best.layout.gauge]
    bare = min((v for v in same if v.layout.beads == best.layout.beads), key=lambda v: len(v.layout.holes))
    hunt.tell("how little work would do?")
    try:
        found = least_minutes(ground, bare, end - time.monotonic())
    except SolverError:
        return None
    paid = [cost(ground.terms, n) for n in map(ground.numbers, (v.layout for v in same)) if n is not None]
    if found is None or min(paid) < found.value - WHOLE:
        return None
    return bound_record(found, best.layout.gauge, all(is_proof(hunt.reasons[g]) for g in lighter))


def _ground(hunt: Hunt, here: Attempt, more: tuple[Bead, ...] = ()) -> Ground:
    """Every bead candidate of a gauge by itself, for proofs; more: beads to take in where they were not drawn."""
    panel, pool, plate = hunt.panel, here.pool, here.plate
    order = pool.order
    beads = tuple(pool.beads[i] for i in order)
    blocked = pool.blocked[np.ix_(order, order)]
    new = tuple(bead for bead in more if bead not in beads)
    if new:
        n, beads = len(beads), beads + new
        wider = conflicts(panel, here.gauge, beads, ()).toarray()
        wider[:n, :n] = blocked
        plate, blocked = plate.joined(scout(panel, here.gauge, new)), wider
    dies = list(dict.fromkeys(bead.die for bead in beads))
    terms = Terms(
        cost=minutes_each(panel, beads),
        dies=np.array([dies.index(bead.die) for bead in beads], int),
        die_cost=here.chooser.die_minutes,
        beads_at_most=math.inf if panel.beads_at_most is None else panel.beads_at_most,
        dies_at_most=math.inf if panel.dies_at_most is None else panel.dies_at_most,
        fixed=pool.fixed,
    )
    return Ground(beads, plate, blocked, terms)
