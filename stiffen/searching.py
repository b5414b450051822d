"""The search: gauge by gauge from the thinnest, beads by the scout, the last word by the judge, holes at the end.

At each gauge: the flat sheet; then beads chosen on the scout, judged, the scout corrected by what the judge says, and
so on.  Where large deflection decides, the scout ranks wrongly; there layouts that a hand would draw, and what local
moves make of them, are judged one by one on the quick mesh.  Repeatable: the same panel and seed give the same layout
unless the time runs out.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import scipy.sparse as sp

from . import bench, rules, symmetry
from .candidates import bead_candidates, conflicts, hole_candidates
from .courses import course_candidates
from .families import hand_layouts, promising
from .judging import FAR, Progress, check, quick_badness, quiet, rival
from .layout import Bead, Hole, Layout
from .moves import GOAL, Choice, Chooser, best_choice
from .panel import Panel
from .ribbed import scout
from .rolling import pass_depths
from .threads import one_thread
from .verdict import UNDECIDED, DemandResult, Found, Rival, Verdict

ROUNDS = 6  # times the judge may correct the scout at one gauge
STARTS = 3  # greedy starts at each of them
HOPELESS = 1.15  # a scout's best worse than this is not shown to the judge
JUDGES = ("stress", "buckling")  # demands only the judge sees
SCOUTING = 0.25  # share of the time left that choosing by the scout may take at one gauge
SLICE = 0.4  # share of the time left that layouts judged one by one may take at one gauge
LAST = 0.9  # the same where nothing comes after
ONCE_MORE = 1.6  # a symmetric layout that misses by more is not tried again without symmetry
HEAVY = 2.0  # linear deflection over thickness beyond which a load case is the judge's alone
HOLE_ROUNDS = 6  # times the judge is asked about a batch of holes

OnBest = Callable[[Verdict], None]


def _nobody(verdict: Verdict) -> None:
    """Tells nobody of a better layout."""


@dataclass(frozen=True, eq=False)
class _Pool:
    """What may go in at one gauge.

    beads and holes: the panel's fixed ones first.  sets: numbers of the beads that go in together (a bead and its
    mirror images), the fixed ones first, alone.  blocked: (n, n) bool over beads, then holes.
    """

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    sets: tuple[tuple[int, ...], ...]
    blocked: np.ndarray
    fixed_beads: int
    fixed_holes: int

    @classmethod
    def of(cls, panel: Panel, gauge: float, along: str, own: tuple[Bead, ...] = ()) -> _Pool:
        """Everything the tools could make, mirrored along the axes `along`; all of it keeps clear of what is fixed.

        own: beads that somebody has drawn; they join where they could be made.
        """
        fixed_beads, fixed_holes = _fixed(panel.beads), _fixed(panel.holes)
        drawn = tuple(bead for bead in own if _fits(panel, gauge, bead, (*fixed_beads, *fixed_holes)))
        beads = drawn + bead_candidates(panel, gauge) + course_candidates(panel, gauge)
        holes = hole_candidates(panel, gauge)
        groups = symmetry.sets(panel, gauge, beads, along) if along else [(bead,) for bead in beads]
        groups = [group for group in groups if not _in_own_way(panel, gauge, group)]
        beads = tuple(bead for group in groups for bead in group)
        ends = np.cumsum([0, *(len(group) for group in groups)])
        numbers = [range(i, j) for i, j in zip(ends[:-1], ends[1:], strict=True)]
        n, f = len(beads), len(fixed_beads)
        first_hole = f + n + len(fixed_holes)
        place = np.concatenate([f + np.arange(n), first_hole + np.arange(len(holes))])
        blocked = np.zeros((first_hole + len(holes),) * 2, bool)
        blocked[np.ix_(place, place)] = conflicts(panel, gauge, beads, holes).toarray()
        sets = [(i,) for i in range(f)]
        sets += [tuple(f + i for i in group) for group in numbers]
        return cls(fixed_beads + beads, fixed_holes + holes, tuple(sets), blocked, f, len(fixed_holes))

    def numbers(self, chosen: tuple[int, ...]) -> list[int]:
        """Numbers of the beads of some sets."""
        return [i for k in chosen for i in self.sets[k]]

    def layout(self, gauge: float, chosen: tuple[int, ...]) -> Layout:
        """The layout of some sets of beads, and the fixed holes."""
        return Layout(gauge, tuple(self.beads[i] for i in self.numbers(chosen)), self.holes[: self.fixed_holes])

    @property
    def fixed(self) -> tuple[int, ...]:
        """Numbers of the sets that stay."""
        return tuple(range(self.fixed_beads))

    def choice(self, beads: tuple[Bead, ...]) -> tuple[int, ...] | None:
        """The sets these beads and the fixed ones are made of; None where there are none or they exclude each other."""
        wanted = {self.beads.index(bead) for bead in beads if bead in self.beads} | set(range(self.fixed_beads))
        chosen = tuple(k for k, one in enumerate(self.sets) if wanted.issuperset(one))
        whole = len(self.numbers(chosen)) == len({*beads, *self.beads[: self.fixed_beads]})
        return chosen if whole and not self.set_conflicts[np.ix_(chosen, chosen)].any() else None

    @cached_property
    def set_conflicts(self) -> np.ndarray:
        """(sets, sets) bool: sets of which one bead is in the way of another's."""
        n = len(self.beads)
        rows = np.repeat(np.arange(len(self.sets)), [len(one) for one in self.sets])
        member = sp.csr_matrix((np.ones(len(rows)), (rows, [i for one in self.sets for i in one])), (len(self.sets), n))
        out = (member @ sp.csr_matrix(self.blocked[:n, :n].astype(float)) @ member.T).toarray() > 0
        np.fill_diagonal(out, False)
        return out


def _fixed(items: tuple) -> tuple:
    return tuple(item for item in items if item.fixed)


def _in_own_way(panel: Panel, gauge: float, group: tuple[Bead, ...]) -> bool:
    """True where a bead and its mirror images are too close to each other."""
    return any(rules.clash(a, b, panel.tools, gauge) for a, b in itertools.combinations(group, 2))


def _fits(panel: Panel, gauge: float, bead: Bead, others: tuple[Bead | Hole, ...]) -> bool:
    """True where a bead not fixed could be made at this gauge next to the others."""
    if bead.fixed or any(rules.clash(bead, other, panel.tools, gauge) for other in others):
        return False
    return not rules.audit(panel, Layout(gauge, (bead,)))


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
    reasons: dict[float, str] = field(default_factory=dict)
    best_at: dict[float, float] = field(default_factory=dict)
    candidates: int = 0
    own: tuple[Layout, ...] = ()  # layouts that somebody has drawn, to go on from
    judged: dict[Layout, Verdict] = field(default_factory=dict)
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

    def judge(self, layout: Layout) -> Verdict:
        """The verdict on a layout, by the quick mesh where that misses clearly; kept if it is the best so far."""
        if layout in self.judged:
            return self.judged[layout]
        verdict = check(self.panel, layout, grade="quick", error=False)
        if self.grade != "quick" and worst_badness(verdict) <= FAR:
            verdict = check(self.panel, layout, grade=self.grade)
        self.judged[layout] = verdict
        miss = worst_badness(verdict)
        self.best_at[layout.gauge] = min(miss, self.best_at.get(layout.gauge, math.inf))
        if self.best is None or rank(self.panel, verdict) < rank(self.panel, self.best):
            self.best = verdict
            self.on_best(verdict)
        return verdict


def worst_badness(verdict: Verdict) -> float:
    """Largest value/limit (limit/value where more is better); over 1 is missed; undecided demands count as missed."""
    worst = 0.0
    for d in verdict.demands:
        bad = 1 - d.margin if d.kind in ("deflection", "softness") else 1 / max(1 + d.margin, 1e-12)
        worst = max(worst, bad if d.met else max(bad, 1.0 + 1e-9))
    return worst


def rank(panel: Panel, verdict: Verdict) -> tuple:
    """Smaller is better: met first; then mass (to 1 %), minutes; what is not met by how much it misses."""
    if not verdict.met or panel.goal == "stiffest":
        return (1, worst_badness(verdict), verdict.mass_kg)
    return (0, round(math.log(verdict.mass_kg) / 0.01), bench.minutes(panel, verdict.layout), verdict.mass_kg)


@one_thread
def search(
    panel: Panel,
    *,
    seconds: float = 60.0,
    seed: int = 0,
    grade: str = "normal",
    start: Layout | None = None,
    progress: Progress = quiet,
    on_best: OnBest = _nobody,
) -> Found:
    """The lightest layout found that the judge says meets the panel's demands.

    It is never worse than the beads and holes in the panel's own file where these keep the rules, nor than `start`.

    start: a layout to go on from; it counts as found, and its fixed beads and holes stay.  on_best is called with the
    verdict of each better layout as soon as it is judged.  Ctrl-C (KeyboardInterrupt) ends the search with the best so
    far, as running out of `seconds` does; `Found.stopped` says so.
    """
    begun = time.monotonic()
    if start is not None:
        panel = replace(panel, beads=_joined(panel.beads, start.beads), holes=_joined(panel.holes, start.holes))
    hunt = _Hunt(panel, begun + seconds, seed, grade, progress, on_best)
    hunt.own = tuple(one for one in (panel.layout(), start) if one is not None and _asked(panel, one))
    stopped = ""
    flat_rival = Rival(None, None)
    try:
        if start is not None:
            hunt.judge(start)
        _hunt_down(hunt)
        if hunt.left <= 0:
            stopped = f"time was up after {seconds:g} s"
        hunt.tell("looking for the flat sheet that meets the same demands")
        flat_rival = rival(panel, grade=grade)
    except KeyboardInterrupt:
        stopped = "interrupted"
    best = hunt.best.layout if hunt.best else panel.layout()
    hunt.tell("judging the best layout for the record")
    verdict = check(panel, best, grade=grade, maps=True, second_opinion=stopped != "interrupted")
    flat = check(panel, Layout(best.gauge), grade=grade, maps=True, error=False)
    return Found(
        verdict=verdict,
        flat=flat,
        rival=flat_rival,
        gauges=tuple(sorted(hunt.reasons.items())),
        seed=seed,
        candidates=hunt.candidates,
        stopped=stopped,
        seconds=time.monotonic() - begun,
    )


def _asked(panel: Panel, layout: Layout) -> bool:
    """True where a layout has any bead or hole, and no more beads and dies than the panel asks for."""
    dies = {bead.die for bead in layout.beads}
    few = panel.beads_at_most is None or len(layout.beads) <= panel.beads_at_most
    return few and (panel.dies_at_most is None or len(dies) <= panel.dies_at_most) and bool(layout.beads + layout.holes)


def _joined(own: tuple, others: tuple) -> tuple:
    """The panel's beads (or holes) and those fixed in a layout, each once."""
    return own + tuple(item for item in _fixed(others) if item not in own)


def search_all(panels: Sequence[Panel], *, executor: Executor | None = None, **options: Any) -> list[Found]:
    """`search` for each panel, at once on the workers of any `concurrent.futures.Executor` (default: one by one).

    options go to each `search`; progress and on_best stay out of other processes.
    """
    if executor is None:
        return [search(panel, **options) for panel in panels]
    waiting = [executor.submit(search, panel, **options) for panel in panels]
    return [one.result() for one in waiting]


def _hunt_down(hunt: _Hunt) -> None:
    """Go up the gauges until the scout's layouts meet; then try the lighter gauges one layout at a time; then holes.

    Asked for the stiffest, stay at the thinnest gauge and leave the sheet whole.
    """
    panel = hunt.panel
    stiffest = panel.goal == "stiffest"
    opened = []
    met = here = None
    for gauge in sorted(panel.gauges)[: 1 if stiffest else None]:
        if hunt.left <= 0:
            hunt.reasons[gauge] = "not tried: time was up"
            continue
        for along in _attempts(panel):
            here = _Gauge.opened(hunt, gauge, along)
            met = here.by_scout(hunt)
            if met is not None or (hunt.best_at[gauge] > ONCE_MORE and not stiffest):
                break
        if met is not None:
            break
        opened.append(here)
    for one in reversed(opened):
        better = one.one_by_one(hunt) if hunt.left > 0 else None
        if better is not None:
            met, here = better, one
    if met is not None and not stiffest:
        _with_holes(hunt, met, here.pool)


def _attempts(panel: Panel) -> tuple[str, ...]:
    """Symmetries to try in turn: the panel's own first where that is left to us, then none."""
    along = symmetry.axes(panel)
    return (along, "") if along and panel.symmetry == "auto" else (along,)


@dataclass(eq=False)
class _Gauge:
    """One gauge under way."""

    gauge: float
    pool: _Pool
    chooser: Chooser
    begun: float
    heavy: bool = False
    near: bool = False  # the scout comes so near that the judge may say met
    starts: tuple[tuple[int, ...], ...] = ()  # choices to begin with: somebody's own, the scout's last

    @classmethod
    def opened(cls, hunt: _Hunt, gauge: float, along: str) -> _Gauge:
        """Candidates and scout at a gauge, layouts mirrored along the axes `along`."""
        hunt.tell(f"{gauge:g} mm: drawing candidates{', mirrored' if along else ''}")
        begun = time.monotonic()
        known = hunt.own
        if hunt.best is not None and hunt.best.layout.gauge == gauge:
            known = (*known, hunt.best.layout)
        own = tuple(dict.fromkeys(bead for layout in known for bead in layout.beads))
        pool = _Pool.of(hunt.panel, gauge, along, own)
        hunt.candidates = max(hunt.candidates, len(pool.beads) + len(pool.holes))
        choices = [pool.choice(layout.beads) for layout in known]
        starts = tuple(choice for choice in choices if choice is not None)
        return cls(gauge, pool, _chooser(hunt.panel, gauge, pool), begun, starts=starts)

    def missed(self, hunt: _Hunt, words: str) -> None:
        """Note why this gauge was not taken."""
        best = hunt.best_at.get(self.gauge)
        miss = "" if best is None else f"; best misses by {100 * (best - 1):.1f} %"
        hunt.reasons[self.gauge] = f"{words}{miss}"

    def by_scout(self, hunt: _Hunt) -> Verdict | None:
        """The sheet as it is if that will do; else beads by the scout, corrected by the judge."""
        panel, gauge = hunt.panel, self.gauge
        bare = hunt.judge(self.pool.layout(gauge, self.pool.fixed))
        if bare.met and panel.goal == "lightest":
            hunt.reasons[gauge] = "the sheet as it is meets all demands"
            return bare
        drawn = self.drawn(hunt)
        self.chooser.ignored = {i for i, d in enumerate(bare.demands) if _is_heavy(d)}
        missing = _beyond(self.chooser)
        if missing and panel.goal == "lightest":
            count = len(self.pool.beads)
            hunt.reasons[gauge] = f"on the ribbed plate even all {count} bead candidates at once miss {missing}"
            return drawn
        self.chooser.deadline = time.monotonic() + SCOUTING * max(hunt.left, 0.0)
        starts = (*self.starts, *promising(self.by_hand(), self.chooser.worth(self.pool.fixed)))
        verdict, worst, last = _corrected(hunt, gauge, self.pool, self.chooser, starts)
        self.starts = (*self.starts, last)
        self.near = self.chooser.weigh(last).worst <= ONCE_MORE or panel.goal == "stiffest"
        self.heavy = worst is not None and (worst in self.chooser.ignored or panel.demands[worst].kind in JUDGES)
        verdict = min((one for one in (verdict, drawn) if one), key=lambda one: rank(panel, one), default=None)
        if verdict is None:
            self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        else:
            hunt.reasons[gauge] = f"met with {len(verdict.layout.beads)} beads"
        return verdict

    def drawn(self, hunt: _Hunt) -> Verdict | None:
        """Judge what somebody has drawn, on this gauge, where it keeps the rules; the best that meets."""
        layouts = [replace(layout, gauge=self.gauge) for layout in hunt.own]
        verdicts = [hunt.judge(layout) for layout in layouts if not rules.audit(hunt.panel, layout)]
        return min((one for one in verdicts if one.met), key=lambda one: rank(hunt.panel, one), default=None)

    def by_hand(self) -> list[tuple[int, ...]]:
        """What a hand would draw, as choices of the pool, the fixed ones with them."""
        pool, chooser = self.pool, self.chooser
        drawn = hand_layouts(tuple(pool.beads[one[0]] for one in pool.sets), chooser.blocked)
        choices = (tuple(sorted({*pool.fixed, *choice})) for choice in drawn)
        return [choice for choice in dict.fromkeys(choices) if chooser.asked(choice)]

    def one_by_one(self, hunt: _Hunt) -> Verdict | None:
        """Judge layouts one by one on the quick mesh, where large deflection decides, or what the scout is off by.

        First those a hand would draw, but for those that fail a frequency on the scout; then local moves on the best.
        """
        if not self.heavy and not self.near:
            return None
        chooser = self.chooser
        end = time.monotonic() + (SLICE if chooser.goal else LAST) * hunt.left
        best = [(math.inf, self.pool.fixed)]
        hands = self.by_hand()
        ranked = promising(hands, chooser.worth(self.pool.fixed))
        ranked.sort(key=lambda one: chooser.weigh(one).key)
        if self.heavy:  # the scout's order is worth half the looks, the plain one by number of beads the other half
            both = itertools.chain.from_iterable(itertools.zip_longest(ranked, hands, fillvalue=self.pool.fixed))
            hands = list(dict.fromkeys(both))
        else:
            hands = ranked
        for chosen in _trials(hunt, chooser, self.pool, (*self.starts, *hands), best):
            if time.monotonic() > end:
                break
            bad = quick_badness(hunt.panel, self.pool.layout(self.gauge, chosen), cap=best[-1][0])
            if bad < best[-1][0]:
                best.append((bad, chosen))
                hunt.tell(f"{self.gauge:g} mm: {len(chosen)} beads, judged one by one, badness {bad:.2f}")
                if bad <= 1 or not chooser.goal:
                    verdict = hunt.judge(self.pool.layout(self.gauge, chosen))
                    if verdict.met and chooser.goal:
                        hunt.reasons[self.gauge] = f"met with {len(chosen)} beads, found one by one"
                        return verdict
        hunt.best_at[self.gauge] = min(best[-1][0], hunt.best_at.get(self.gauge, math.inf))
        self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        return None


def _chooser(panel: Panel, gauge: float, pool: _Pool) -> Chooser:
    """The scout with the bead candidates of `pool`."""
    each = _minutes(panel, pool.beads)
    dies = {die.name: k for k, die in enumerate(panel.tools.bead_dies)}
    order = pool.numbers(tuple(range(len(pool.sets))))
    ends = np.cumsum([0, *(len(one) for one in pool.sets)])
    stiffest = panel.goal == "stiffest"
    return Chooser(
        scout=scout(panel, gauge, tuple(pool.beads[i] for i in order)).grouped(ends),
        blocked=pool.set_conflicts,
        minutes=np.add.reduceat(each[order], ends[:-1]) if len(order) else np.zeros(0),
        deadline=math.inf,
        goal=0.0 if stiffest else GOAL,
        die_minutes=panel.tools.roller.die_change_minutes + bench.TRIAL_STRIP,
        beads=np.diff(ends),
        dies=np.array([dies.get(pool.beads[one[0]].die.name, -1) for one in pool.sets]),
        beads_at_most=panel.beads_at_most,
        dies_at_most=panel.dies_at_most,
        fixed=pool.fixed,
    )


def _minutes(panel: Panel, beads: tuple[Bead, ...]) -> np.ndarray:
    """(beads,) minutes that each bead adds: to mark it, to line it up, to roll it; change of die left out."""
    roller = panel.tools.roller
    passes = {die: len(pass_depths(die, panel.material)) for die in {bead.die for bead in beads}}
    one = bench.MARK_ONE + roller.set_up_minutes
    return np.array([one + passes[b.die] * b.length / roller.hand_speed for b in beads])


def _beyond(chooser: Chooser) -> str:
    """Frequencies that the scout misses even with every bead candidate at once, conflicts ignored; '' if none.

    Each bead only adds stiffness and no mass, so no choice among them does better on the ribbed plate; HOPELESS leaves
    room for what the ribbed plate is off.  Only frequencies: other demands may be met beyond small deflections, where
    this model does not speak.
    """
    bad = chooser.bad(chooser.scout.respond(tuple(range(len(chooser.minutes)))))
    demands = chooser.panel.demands
    return ", ".join(demands[i].label for i, b in bad.items() if demands[i].kind == "frequency" and b > HOPELESS)


def _is_heavy(demand: DemandResult) -> bool:
    """True where a load bends the sheet so far that the scout has nothing to say."""
    return demand.kind != "frequency" and demand.ratio_w_t > HEAVY


def _corrected(
    hunt: _Hunt, gauge: float, pool: _Pool, chooser: Chooser, own: tuple[tuple[int, ...], ...]
) -> tuple[Verdict | None, int | None, tuple[int, ...]]:
    """Choose by the scout, ask the judge, correct the scout, until the judge says met.

    The verdict, or None and the number of the demand that stood in the way; the last choice.
    """
    worst, choice = None, None
    for k in range(ROUNDS):
        hunt.tell(f"{gauge:g} mm: choosing among {len(pool.beads)} beads, round {k + 1}")
        choice = best_choice(chooser, hunt.seed + k, STARTS, own)
        if choice.worst > HOPELESS and chooser.goal:
            bad = chooser.bad(chooser.respond(choice.chosen))
            return None, max(bad, key=bad.__getitem__), choice.chosen
        verdict = hunt.judge(pool.layout(gauge, choice.chosen))
        if verdict.met and chooser.goal:
            return verdict, None, choice.chosen
        worst = verdict.demands.index(verdict.worst)
        chooser.ignored = {i for i in chooser.ignored if _is_heavy(verdict.demands[i])}
        if not _learn(chooser, choice, verdict) or chooser.out_of_time():
            break
    return None, worst, choice.chosen


def _learn(chooser: Chooser, choice: Choice, verdict: Verdict) -> bool:
    """Set the judge/scout ratio of each demand from one judged choice; False where nothing new was learnt."""
    response = chooser.respond(choice.chosen)
    before = dict(chooser.ratio)
    for i, value in response.values.items():
        judged = verdict.demands[i]
        if judged.decided_by == UNDECIDED:
            continue
        fraction = judged.error or 0.0
        worse = 1 + fraction if chooser.panel.demands[i].at_most else 1 - fraction
        chooser.ratio[i] = judged.value * worse / value
    return any(abs(chooser.ratio[i] / before.get(i, 1.0) - 1) > 1e-4 for i in chooser.ratio)


def _trials(
    hunt: _Hunt,
    chooser: Chooser,
    pool: _Pool,
    starts: tuple[tuple[int, ...], ...],
    best: list[tuple[float, tuple[int, ...]]],
) -> Iterator[tuple[int, ...]]:
    """Choices worth the judge's time: hand layouts, then the best so far with beads added, dropped, swapped at random.

    best: (badness, choice), the latest last; the caller adds to it.
    """
    hertz = [i for i, d in enumerate(hunt.panel.demands) if d.kind == "frequency"]
    for chosen in starts:
        bad = chooser.bad(chooser.respond(chosen)) if hertz else {}
        if not chooser.goal or all(bad[i] <= HOPELESS for i in hertz):
            yield chosen
    rng = np.random.default_rng(hunt.seed)
    still = np.ones(len(chooser.minutes))
    while True:
        now = best[-1][1]
        loose = [i for i in now if i not in pool.fixed]
        rest = now if not loose or rng.random() < 0.4 else tuple(i for i in now if i != rng.choice(loose))
        ranked = chooser.ranked(rest, still)
        room = np.flatnonzero(chooser.allowed(rest))
        pick = ranked if ranked and rng.random() < 0.5 else list(room)
        if not pick or (len(rest) < len(now) and rng.random() < 0.3):
            yield rest
        else:
            yield tuple(sorted((*rest, int(rng.choice(pick)))))


def _with_holes(hunt: _Hunt, verdict: Verdict, pool: _Pool) -> None:
    """Take mass out by flared holes as long as the judge says met, those first that cost least stiffness a gram."""
    chosen = list(range(pool.fixed_holes))
    blocked = pool.blocked[len(pool.beads) :, len(pool.beads) :]
    order = _hole_order(hunt.panel, verdict.layout, pool)
    batch = _packed(order, blocked, chosen)
    for _ in range(HOLE_ROUNDS):
        if not batch or hunt.left <= 0:
            return
        hunt.tell(f"{verdict.layout.gauge:g} mm: {len(chosen)} holes in, trying {len(batch)} more")
        layout = replace(verdict.layout, holes=tuple(pool.holes[i] for i in sorted(chosen + batch)))
        if hunt.judge(layout).met:
            chosen += batch
            order = [i for i in order if i not in batch]
            batch = _packed(order, blocked, chosen)
        else:
            batch = batch[: len(batch) // 2]


def _hole_order(panel: Panel, layout: Layout, pool: _Pool) -> list[int]:
    """Hole candidates clear of the layout's beads; by the scout's loss in the worst demands for each gram saved."""
    n = len(layout.beads)
    clear = ~conflicts(panel, layout.gauge, layout.beads, pool.holes).toarray()[:n, n:].any(axis=0)
    clear[: pool.fixed_holes] = False
    room = np.flatnonzero(clear)
    if not len(room):
        return []
    here = scout(panel, layout.gauge, layout.beads, tuple(pool.holes[i] for i in room))
    response = here.respond(tuple(range(len(layout.beads))))
    weights = {i: panel.demands[i].badness(value) ** 4 for i, value in response.values.items()}
    harm = -here.gains(response, weights)[len(layout.beads) :]
    saved = np.array([pool.holes[i].die.pilot ** 2 for i in room])
    return [int(i) for i in room[np.argsort(harm / saved, kind="stable")]]


def _packed(order: list[int], blocked: np.ndarray, chosen: list[int]) -> list[int]:
    """Greedily, candidates of `order` that clash neither with each other nor with those chosen."""
    out: list[int] = []
    taken = blocked[chosen].any(axis=0) if chosen else np.zeros(len(blocked), bool)
    for i in order:
        if not taken[i] and i not in chosen:
            out.append(i)
            taken = taken | blocked[i]
    return out
