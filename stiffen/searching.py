"""The search: gauge by gauge from the thinnest, beads by the scout, the last word by the judge, holes at the end.

Repeatable: the same panel and seed give the same layout unless the time runs out.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from . import bench
from .candidates import candidates
from .judging import Progress, check, quiet, rival
from .layout import Bead, Hole, Layout
from .moves import Choice, Chooser, best_choice
from .panel import Panel
from .ribbed import scout
from .threads import one_thread
from .verdict import UNDECIDED, Found, Rival, Verdict

ROUNDS = 6  # times the judge may correct the scout at one gauge
STARTS = 3  # greedy starts at each of them
HOPELESS = 1.15  # a scout's best worse than this is not shown to the judge
HOLE_HALVINGS = 5  # times the judge may halve the holes that are added at once
MODEL = "ribbed plate"

OnBest = Callable[[Verdict], None]


def _nobody(verdict: Verdict) -> None:
    """Tells nobody of a better layout."""


@dataclass(frozen=True, eq=False)
class _Pool:
    """What may go in at one gauge, the panel's fixed beads and holes first; blocked: (n, n) bool, beads, then holes."""

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    blocked: np.ndarray
    fixed_beads: int
    fixed_holes: int

    @classmethod
    def of(cls, panel: Panel, gauge: float) -> _Pool:
        """Everything the tools could make; candidates already keep clear of what is fixed."""
        beads, holes = _fixed(panel.beads), _fixed(panel.holes)
        made = candidates(panel, gauge)
        place = np.concatenate(
            [
                len(beads) + np.arange(len(made.beads)),
                len(beads) + len(made.beads) + len(holes) + np.arange(len(made.holes)),
            ]
        )
        size = len(beads) + len(made.beads) + len(holes) + len(made.holes)
        blocked = np.zeros((size, size), bool)
        blocked[np.ix_(place, place)] = made.conflicts.toarray()
        return cls(beads + made.beads, holes + made.holes, blocked, len(beads), len(holes))


@dataclass(eq=False)
class _Hunt:
    """One search under way: what is best so far, how long it may go on, whom to tell."""

    panel: Panel
    deadline: float
    seed: int
    grade: str
    progress: Progress
    on_best: OnBest
    best: Verdict | None = None
    reasons: list[tuple[float, str]] = field(default_factory=list)
    candidates: int = 0
    start: float = field(default_factory=time.monotonic)

    @property
    def left(self) -> float:
        """Seconds left."""
        return self.deadline - time.monotonic()

    def tell(self, words: str) -> None:
        """Report the fraction of the time used, and the best so far."""
        used = min(1.0, (time.monotonic() - self.start) / max(self.deadline - self.start, 1e-9))
        if self.best is not None:
            state = "meets all" if self.best.met else f"misses by {100 * (worst_badness(self.best) - 1):.0f} %"
            words = f"{words}; best {self.best.layout.gauge:g} mm, {self.best.mass_kg:.3f} kg, {state}"
        self.progress(used, words)

    def offer(self, verdict: Verdict) -> None:
        """Keep a verdict if it is better than the best so far."""
        if self.best is None or rank(self.panel, verdict) < rank(self.panel, self.best):
            self.best = verdict
            self.on_best(verdict)


def worst_badness(verdict: Verdict) -> float:
    """Largest value/limit (limit/value where more is better); over 1 is missed; undecided demands count as missed."""
    worst = 0.0
    for d in verdict.demands:
        bad = 1 - d.margin if d.kind in ("deflection", "softness") else 1 / max(1 + d.margin, 1e-12)
        worst = max(worst, bad if d.met else max(bad, 1.0 + 1e-9))
    return worst


def rank(panel: Panel, verdict: Verdict) -> tuple:
    """Smaller is better: met first; then mass (to 1 %), minutes; what is not met by how much it misses."""
    if not verdict.met:
        return (1, worst_badness(verdict), verdict.mass_kg)
    return (0, round(math.log(verdict.mass_kg) / 0.01), bench.minutes(panel, verdict.layout), verdict.mass_kg)


@one_thread
def search(
    panel: Panel,
    *,
    seconds: float = 60.0,
    seed: int = 0,
    grade: str = "normal",
    progress: Progress = quiet,
    on_best: OnBest = _nobody,
) -> Found:
    """The lightest layout found that the judge says meets the panel's demands.

    on_best is called with the verdict of each better layout as soon as it is judged.  Ctrl-C (KeyboardInterrupt) ends
    the search with the best so far, as running out of `seconds` does; `Found.stopped` says so.
    """
    begun = time.monotonic()
    hunt = _Hunt(panel, begun + seconds, seed, grade, progress, on_best)
    stopped = ""
    flat_rival = Rival(None, None)
    try:
        for gauge in sorted(panel.gauges):
            if _at_gauge(hunt, gauge):
                break
            if hunt.left <= 0:
                stopped = f"time was up after {seconds:g} s"
                break
        hunt.tell("looking for the flat sheet that meets the same demands")
        flat_rival = rival(panel, grade=grade)
    except KeyboardInterrupt:
        stopped = "interrupted"
    best = hunt.best or check(panel, grade="quick", error=False)
    hunt.tell("judging the best layout for the record")
    verdict = check(panel, best.layout, grade=grade, maps=True)
    flat = check(panel, Layout(best.layout.gauge), grade=grade, maps=True)
    return Found(
        verdict=verdict,
        flat=flat,
        rival=flat_rival,
        gauges=tuple(hunt.reasons),
        seed=seed,
        candidates=hunt.candidates,
        stopped=stopped,
        seconds=time.monotonic() - begun,
    )


def _at_gauge(hunt: _Hunt, gauge: float) -> bool:
    """Try one gauge; True if a layout there meets all demands."""
    panel = hunt.panel
    hunt.tell(f"{gauge:g} mm: flat sheet")
    flat = check(panel, Layout(gauge, _fixed(panel.beads), _fixed(panel.holes)), grade=hunt.grade)
    hunt.offer(flat)
    if flat.met:
        hunt.reasons.append((gauge, "the sheet as it is meets all demands"))
        _with_holes(hunt, flat, _Pool.of(panel, gauge))
        return True
    pool = _Pool.of(panel, gauge)
    hunt.candidates = len(pool.beads) + len(pool.holes)
    chooser = _chooser(hunt, gauge, pool)
    missing = _beyond(chooser)
    if missing:
        hunt.reasons.append(
            (gauge, f"proven on the {MODEL}: even all {len(pool.beads)} bead candidates at once miss {missing}")
        )
        return False
    return _corrected(hunt, gauge, pool, chooser)


def _fixed(items: tuple) -> tuple:
    return tuple(item for item in items if item.fixed)


def _chooser(hunt: _Hunt, gauge: float, pool: _Pool) -> Chooser:
    """The scout with the bead candidates of `pool`."""
    panel = hunt.panel
    each = np.array([bench.minutes(panel, Layout(gauge, (bead,))) for bead in pool.beads])
    change = panel.tools.roller.die_change_minutes
    n = len(pool.beads)
    return Chooser(
        scout=scout(panel, gauge, pool.beads),
        blocked=pool.blocked[:n, :n],
        minutes=np.maximum(each - change, 0.1),
        deadline=hunt.deadline,
        fixed=tuple(range(pool.fixed_beads)),
    )


def _beyond(chooser: Chooser) -> str:
    """Labels of demands that the scout misses even with every candidate at once, conflicts ignored; '' if none.

    Each bead only adds stiffness (and no mass), so no choice among them can do better on this model.
    """
    everything = tuple(range(len(chooser.minutes)))
    bad = chooser.bad(chooser.scout.respond(everything))
    return ", ".join(chooser.panel.demands[i].label for i, b in bad.items() if b > HOPELESS)


def _corrected(hunt: _Hunt, gauge: float, pool: _Pool, chooser: Chooser) -> bool:
    """Choose by the scout, ask the judge, correct the scout, until the judge says met; True if it does."""
    panel = hunt.panel
    best_miss = math.inf
    for k in range(ROUNDS):
        hunt.tell(f"{gauge:g} mm: choosing among {len(pool.beads)} beads, round {k + 1}")
        chooser.deadline = min(hunt.deadline, time.monotonic() + max(hunt.left / 4, 1.0))
        choice = best_choice(chooser, hunt.seed + k, STARTS)
        if choice.worst > HOPELESS:
            best_miss = min(best_miss, choice.worst)
            break
        layout = Layout(gauge, tuple(pool.beads[i] for i in choice.chosen))
        verdict = check(panel, layout, grade=hunt.grade)
        hunt.offer(verdict)
        best_miss = min(best_miss, worst_badness(verdict))
        if verdict.met:
            hunt.reasons.append((gauge, f"met with {len(layout.beads)} beads"))
            _with_holes(hunt, verdict, pool)
            return True
        if not _learn(chooser, choice, verdict) or hunt.left <= 0:
            break
    undecided = hunt.best is not None and any(d.decided_by == UNDECIDED for d in hunt.best.demands)
    words = f"best misses by {100 * (best_miss - 1):.1f} %"
    if undecided and best_miss < 1.01:
        words = "large deflection leaves a demand undecided"
    hunt.reasons.append((gauge, f"not found in {time.monotonic() - hunt.start:.0f} s ({words})"))
    return False


def _learn(chooser: Chooser, choice: Choice, verdict: Verdict) -> bool:
    """Set the judge/scout ratio of each demand from one judged choice; False where nothing new was learnt."""
    response = chooser.respond(choice.chosen)
    before = dict(chooser.ratio)
    for i, value in response.values.items():
        judged = verdict.demands[i]
        fraction = judged.error or 0.0
        worse = 1 + fraction if chooser.panel.demands[i].at_most else 1 - fraction
        chooser.ratio[i] = judged.value * worse / value
    moved = any(abs(chooser.ratio[i] / before.get(i, 1.0) - 1) > 1e-4 for i in chooser.ratio)
    return moved and any(not d.met and d.decided_by != UNDECIDED for d in verdict.demands)


def _with_holes(hunt: _Hunt, verdict: Verdict, pool: _Pool) -> None:
    """Take mass out by flared holes, the largest pilots first, as long as the judge says met."""
    beads = verdict.layout.beads
    room = _open_holes(pool, beads)
    order = sorted(room, key=lambda i: (-pool.holes[i].die.pilot, i))
    chosen = list(range(pool.fixed_holes))
    blocked = pool.blocked[len(pool.beads) :, len(pool.beads) :]
    batch = _packed(order, blocked, chosen)
    for _ in range(HOLE_HALVINGS):
        if not batch or hunt.left <= 0:
            return
        hunt.tell(f"{verdict.layout.gauge:g} mm: {len(chosen)} holes in, trying {len(batch)} more")
        layout = replace(verdict.layout, holes=tuple(pool.holes[i] for i in sorted(chosen + batch)))
        judged = check(hunt.panel, layout, grade=hunt.grade)
        if judged.met:
            hunt.offer(judged)
            chosen += batch
            batch = _packed(order, blocked, chosen)
        else:
            batch = batch[: len(batch) // 2]


def _open_holes(pool: _Pool, beads: tuple) -> list[int]:
    """Hole candidates that no bead of the layout stands in the way of."""
    numbers = [pool.beads.index(bead) for bead in beads if bead in pool.beads]
    n = len(pool.beads)
    free = ~pool.blocked[numbers][:, n:].any(axis=0) if numbers else np.ones(len(pool.holes), bool)
    return [int(i) for i in np.flatnonzero(free)]


def _packed(order: list[int], blocked: np.ndarray, chosen: list[int]) -> list[int]:
    """Greedily, candidates of `order` that clash neither with each other nor with those chosen."""
    out: list[int] = []
    taken = blocked[chosen].any(axis=0) if chosen else np.zeros(len(blocked), bool)
    for i in order:
        if not taken[i] and i not in chosen:
            out.append(i)
            taken = taken | blocked[i]
    return out
