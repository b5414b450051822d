"""The search: gauge by gauge from the thinnest, beads by the scout, the last word by the judge, holes at the end.

At each gauge: the flat sheet; then beads chosen on the scout, judged, the scout corrected by what the judge says, and
so on.  Where large deflection decides, the scout ranks wrongly; there layouts that a hand would draw, and what local
moves make of them, are judged one by one on the quick mesh.  A small share of the time goes to what can be proven.
Repeatable: the same panel and seed give the same layout, in whichever process, unless the clock cuts a part of the
search short; `Found.cut_short` says whether it did.
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
from .bound import WHOLE
from .candidates import bead_candidates, conflicts, hole_candidates
from .claims import Ground, bound_record, cost, least_minutes, no_layout_can
from .courses import course_candidates
from .curl import balanced
from .errors import Fault, InputError, SolverError
from .families import hand_layouts, promising
from .judging import FAR, Progress, check, quick_badness, quiet, rival
from .layout import Bead, Hole, Layout
from .moves import GOAL, Choice, Chooser, best_choice
from .panel import Panel
from .program import Terms
from .ribbed import Scout, scout
from .rolling import pass_depths
from .threads import one_thread
from .verdict import UNDECIDED, DemandResult, Found, Rival, Verdict

ROUNDS = 6  # times the judge may correct the scout at one gauge
STARTS = 3  # greedy starts at each of them
HOPELESS = 1.15  # a scout's best worse than this is not shown to the judge
JUDGES = ("stress", "buckling")  # demands only the judge sees
PROVING = 0.12  # share of all the time that is kept for proofs
HOLING = 0.15  # and for flared holes
SPARE = 2  # shares of the time, one a gauge, that the first look at all gauges leaves
SCOUTING = 0.25  # share of the time left that choosing by the scout may take at one gauge looked at closer
SLICE = 0.4  # share of the time left that layouts judged one by one may take at one gauge
LAST = 0.9  # the same where nothing comes after
ONCE_MORE = 1.3  # a symmetric layout that misses by more is not tried again without symmetry
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
    """One search under way: what is best so far, how long it may go on, whom to tell.

    deadline: of the hunt; what is proven afterwards takes until `end`.  opened: what was last looked at, by gauge.
    cut_short: the clock has ended a part of it.
    """

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
    end: float = math.inf
    opened: dict[float, _Gauge] = field(default_factory=dict)
    cut_short: bool = False

    @property
    def left(self) -> float:
        """Seconds left."""
        return self.deadline - time.monotonic()

    def tell(self, words: str) -> None:
        """Report the fraction of the time used, the best so far, and the time left."""
        now = time.monotonic()
        used = min(1.0, (now - self.start) / max(self.end - self.start, 1e-9))
        if self.best is not None:
            worst = worst_badness(self.best)
            state = f"margin {100 * (1 - worst):.0f} %" if self.best.met else f"misses by {100 * (worst - 1):.0f} %"
            words = f"{words}; best {self.best.layout.gauge:g} mm, {self.best.mass_kg:.3f} kg, {state}"
        self.progress(used, f"{words}; {max(self.end - now, 0.0):.0f} s left")

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
    hunt = _Hunt(panel, begun + (1 - PROVING) * seconds, seed, grade, progress, on_best, end=begun + seconds)
    hunt.own = tuple(one for one in (panel.layout(), start) if one is not None and _asked(panel, one))
    stopped, bound = "", None
    flat_rival = Rival(None, None)
    try:
        if start is not None:
            hunt.judge(start)
        _hunt_down(hunt)
        _balance(hunt)
        if hunt.left <= 0:
            stopped, hunt.cut_short = f"time was up after {seconds:g} s", True
        bound = _proven(hunt, PROVING * seconds)
        hunt.tell("looking for the flat sheet that meets the same demands")
        flat_rival = rival(panel, grade=grade)
        _fall_back(hunt, flat_rival)
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
        bound=bound,
        cut_short=hunt.cut_short or stopped == "interrupted",
        seed=seed,
        candidates=hunt.candidates,
        stopped=stopped,
        seconds=time.monotonic() - begun,
    )


def _fall_back(hunt: _Hunt, flat: Rival) -> None:
    """Take the flat sheet where no beaded one was found that meets the demands."""
    fixed = _fixed(hunt.panel.beads) + _fixed(hunt.panel.holes)
    met = hunt.best is not None and hunt.best.met
    if flat.gauge_mm is not None and not met and not fixed and hunt.panel.goal == "lightest":
        hunt.judge(Layout(flat.gauge_mm))


def _balance(hunt: _Hunt) -> None:
    """Turn beads to the other face where that bows the sheet less, the panel allows both, and the judge says met."""
    if hunt.best is None or not hunt.best.met:
        return
    layout = balanced(hunt.panel, hunt.best.layout)
    if layout != hunt.best.layout and not rules.audit(hunt.panel, layout):
        hunt.tell("turning beads to the other face, so that the sheet bows less")
        verdict = hunt.judge(layout)
        if verdict.met and verdict is not hunt.best:
            hunt.best = verdict
            hunt.on_best(verdict)


def _asked(panel: Panel, layout: Layout) -> bool:
    """True where a layout has any bead or hole, and no more beads and dies than the panel asks for."""
    dies = {bead.die for bead in layout.beads}
    few = panel.beads_at_most is None or len(layout.beads) <= panel.beads_at_most
    return few and (panel.dies_at_most is None or len(dies) <= panel.dies_at_most) and bool(layout.beads + layout.holes)


def _joined(own: tuple, others: tuple) -> tuple:
    """The panel's beads (or holes) and those fixed in a layout, each once."""
    return own + tuple(item for item in _fixed(others) if item not in own)


def going_on(panel: Panel, start: Layout) -> Panel:
    """The panel with what is fixed in a layout that a search is to go on from.

    InputError where the layout breaks a rule of the shop or its gauge is not in the rack.
    """
    panel = replace(panel, beads=_joined(panel.beads, start.beads), holes=_joined(panel.holes, start.holes))
    cure = "mend it in the layout, or leave it out"
    faults = [Fault(breach.where, breach.what, cure) for breach in rules.audit(panel, start)]
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


def _hunt_down(hunt: _Hunt) -> None:
    """Go up the gauges until the scout's layouts meet; then look closer at the lighter ones; then holes.

    Asked for the stiffest, stay at the thinnest gauge and leave the sheet whole.
    """
    panel = hunt.panel
    stiffest = panel.goal == "stiffest"
    first, *others = _attempts(panel)
    gauges = sorted(panel.gauges)[: 1 if stiffest else None]
    end = hunt.deadline
    hunt.deadline -= 0.0 if stiffest else HOLING * (end - hunt.start)
    looked: list[_Gauge] = []
    met: tuple[Verdict, _Gauge] | None = None
    for count, gauge in enumerate(gauges):
        if hunt.left <= 0:
            hunt.reasons[gauge] = "not tried: time was up"
            continue
        here = hunt.opened[gauge] = _Gauge.opened(hunt, gauge, first)
        found = here.by_scout(hunt, 1 / (len(gauges) - count + SPARE))
        if found is not None:
            met = found, here
            break
        looked.append(here)
    for here in reversed(looked):
        better = _looked_closer(hunt, here, others) if hunt.left > 0 else None
        met = better or met
    hunt.deadline = end
    if met is not None and not stiffest:
        _with_holes(hunt, met[0], met[1].pool)


def _looked_closer(hunt: _Hunt, here: _Gauge, others: Sequence[str]) -> tuple[Verdict, _Gauge] | None:
    """Without symmetry where that may do, then one layout at a time."""
    for along in others:
        if hunt.best_at[here.gauge] > ONCE_MORE and hunt.panel.goal == "lightest":
            break
        here = hunt.opened[here.gauge] = _Gauge.opened(hunt, here.gauge, along)
        found = here.by_scout(hunt, SCOUTING)
        if found is not None:
            return found, here
    found = here.one_by_one(hunt) if hunt.left > 0 else None
    return None if found is None else (found, here)


def _attempts(panel: Panel) -> tuple[str, ...]:
    """Symmetries to try in turn: the panel's own first where that is left to us, then none."""
    along = symmetry.axes(panel)
    return (along, "") if along and panel.symmetry == "auto" else (along,)


@dataclass(eq=False)
class _Gauge:
    """One gauge under way; plate: the scout with each bead by itself."""

    gauge: float
    pool: _Pool
    plate: Scout
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
        order = pool.numbers(tuple(range(len(pool.sets))))
        like = next((one.plate for one in reversed(hunt.opened.values())), None)
        plate = scout(hunt.panel, gauge, tuple(pool.beads[i] for i in order), like=like)
        return cls(gauge, pool, plate, _chooser(hunt.panel, pool, plate), begun, starts=starts)

    def missed(self, hunt: _Hunt, words: str) -> None:
        """Note why this gauge was not taken, and by how much the best misses: judged, or else by the ribbed plate."""
        best, by = hunt.best_at.get(self.gauge, math.inf), ""
        scouted = min((self.chooser.weigh(start).worst for start in self.starts), default=math.inf)
        asked = hunt.panel.demands
        if not self.chooser.ignored and not any(d.kind in JUDGES for d in asked) and 1 < scouted < best:
            best, by = scouted, " on the ribbed plate"
        miss = f" (best misses by {100 * (best - 1):.1f} %{by})" if math.isfinite(best) else ""
        hunt.reasons[self.gauge] = f"{words}{miss}"

    def by_scout(self, hunt: _Hunt, share: float) -> Verdict | None:
        """The sheet as it is if that will do; else beads by the scout, corrected by the judge.

        share: of the time left, for choosing by the scout.
        """
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
        self.chooser.deadline = time.monotonic() + share * max(hunt.left, 0.0)
        starts = (*self.starts, *promising(self.by_hand(), self.chooser.worth(self.pool.fixed)))
        verdict, worst, last = _corrected(hunt, gauge, self.pool, self.chooser, starts)
        self.starts = (*self.starts, last)
        hunt.cut_short |= self.chooser.out_of_time()
        self.near = self.chooser.weigh(last).worst <= ONCE_MORE or panel.goal == "stiffest"
        self.heavy = worst is not None and (worst in self.chooser.ignored or panel.demands[worst].kind in JUDGES)
        verdict = min((one for one in (verdict, drawn) if one), key=lambda one: rank(panel, one), default=None)
        if panel.goal == "stiffest":
            hunt.reasons[gauge] = "the gauge asked for: the stiffest layout is looked for in it"
        elif verdict is None:
            self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        else:
            hunt.reasons[gauge] = f"met with {_beads(len(verdict.layout.beads))}"
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
                hunt.cut_short = True
                break
            bad = quick_badness(hunt.panel, self.pool.layout(self.gauge, chosen), cap=best[-1][0])
            if bad < best[-1][0]:
                best.append((bad, chosen))
                hunt.tell(f"{self.gauge:g} mm: {len(chosen)} beads, judged one by one, badness {bad:.2f}")
                if bad <= 1 or not chooser.goal:
                    verdict = hunt.judge(self.pool.layout(self.gauge, chosen))
                    if verdict.met and chooser.goal:
                        hunt.reasons[self.gauge] = f"met with {_beads(len(verdict.layout.beads))}, found one by one"
                        return verdict
        hunt.best_at[self.gauge] = min(best[-1][0], hunt.best_at.get(self.gauge, math.inf))
        self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        return None


def _beads(count: int) -> str:
    return f"{count} bead{'' if count == 1 else 's'}"


def _chooser(panel: Panel, pool: _Pool, plate: Scout) -> Chooser:
    """The scout with the bead candidates of `pool`."""
    each = _minutes(panel, pool.beads)
    dies = {die.name: k for k, die in enumerate(panel.tools.bead_dies)}
    order = pool.numbers(tuple(range(len(pool.sets))))
    ends = np.cumsum([0, *(len(one) for one in pool.sets)])
    stiffest = panel.goal == "stiffest"
    return Chooser(
        scout=plate.grouped(ends),
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


def _proven(hunt: _Hunt, seconds: float) -> dict | None:
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
    return bound_record(found, best.layout.gauge, all(_is_proof(hunt.reasons[g]) for g in lighter))


def _is_proof(reason: str) -> bool:
    return reason.startswith("proven")


def _ground(hunt: _Hunt, here: _Gauge, more: tuple[Bead, ...] = ()) -> Ground:
    """Every bead candidate of a gauge by itself, for proofs; more: beads to take in where they were not drawn."""
    panel, pool, plate = hunt.panel, here.pool, here.plate
    order = pool.numbers(tuple(range(len(pool.sets))))
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
        cost=_minutes(panel, beads),
        dies=np.array([dies.index(bead.die) for bead in beads], int),
        die_cost=here.chooser.die_minutes,
        beads_at_most=math.inf if panel.beads_at_most is None else panel.beads_at_most,
        dies_at_most=math.inf if panel.dies_at_most is None else panel.dies_at_most,
        fixed=pool.fixed,
    )
    return Ground(beads, plate, blocked, terms)


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
