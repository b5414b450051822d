"""One gauge under way: beads by the scout, corrected by the judge; or one layout at a time by the judge alone."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from stiffen.analysis.evaluation import HEAVY
from stiffen.model.panel import Panel
from stiffen.model.results import UNDECIDED, DemandResult, Verdict
from stiffen.optimise.bounds.statements import within_reach
from stiffen.optimise.candidates.candidate_set import Pool, minutes_each
from stiffen.optimise.candidates.neighbours import neighbours
from stiffen.optimise.candidates.regular_patterns import hand_layouts, promising
from stiffen.optimise.candidates.straight_beads import main_directions
from stiffen.shop import layout_check, process_plan
from stiffen.surrogate.stiffened_plate import Scout, scout

from .local_search import GOAL, Choice, Chooser, best_choice
from .proposals import HOPELESS, Tried, looks
from .state import Hunt, rank

ROUNDS = 6  # times the judge may correct the scout at one gauge
STARTS = 3  # greedy starts at each of them
JUDGES = ("stress", "buckling")  # demands only the judge sees
SLICE = 0.4  # share of the time left that layouts judged one by one may take at one gauge
EARLY = 0.2  # the same on the way up the gauges
CLOSE = 1.3  # a gauge whose best misses by more is not looked at one by one on the way up
CLEARLY = 0.995  # of the badness of the stiffest judged so far: a layout not better by this is not judged in full
LAST = 0.9  # the same where the stiffest is asked for and nothing comes after
BLIND = 4.0  # times less for the scout where the stiffest is asked for and it does not see all demands
ONCE_MORE = 1.3  # a symmetric layout that misses by more is not tried again without symmetry
AS_IT_IS = "the sheet as it is meets all demands"


@dataclass(eq=False)
class Attempt:
    """One gauge under way; plate: the scout with each bead by itself; tried, looking: layouts judged one by one."""

    gauge: float
    along: str
    pool: Pool
    plate: Scout
    chooser: Chooser
    begun: float
    took: float  # seconds to draw it up
    heavy: bool = False
    hurried: bool = False  # the scout had too little time
    near: bool = False  # the scout comes so near that the judge may say met
    starts: tuple[tuple[int, ...], ...] = ()  # choices to begin with: somebody's own, the scout's last
    tried: Tried = field(default_factory=list)
    looking: Iterator[tuple[int, ...]] | None = None

    @classmethod
    def opened(cls, hunt: Hunt, gauge: float, along: str) -> Attempt:
        """Candidates and scout at a gauge, layouts mirrored along the axes `along`."""
        hunt.tell(f"{gauge:g} mm: drawing candidates{', mirrored' if along else ''}")
        begun = time.monotonic()
        known = hunt.own
        if hunt.best is not None and hunt.best.layout.gauge == gauge:
            known = (*known, hunt.best.layout)
        own = tuple(dict.fromkeys(bead for layout in known for bead in layout.beads))
        before = next(reversed(hunt.opened.values()), None)
        pool = Pool.of(hunt.panel, gauge, along, own, before.pool if before else None)
        hunt.candidates = max(hunt.candidates, len(pool.beads) + len(pool.holes))
        choices = [pool.choice(layout.beads) for layout in known]
        starts = tuple(choice for choice in choices if choice is not None)
        plate = scout(
            hunt.panel, gauge, tuple(pool.beads[i] for i in pool.order), like=before.plate if before else None
        )
        chooser = chooser_of(hunt.panel, pool, plate)
        return cls(gauge, along, pool, plate, chooser, begun, time.monotonic() - begun, starts=starts)

    def missed(self, hunt: Hunt, words: str) -> None:
        """Note why this gauge was not taken, and by how much the best misses: judged, or else by the ribbed plate."""
        best, by = hunt.best_at.get(self.gauge, math.inf), ""
        scouted = min((self.chooser.weigh(start).worst for start in self.starts), default=math.inf)
        asked = hunt.panel.demands
        if not self.chooser.ignored and not any(d.kind in JUDGES for d in asked) and 1 < scouted < best:
            best, by = scouted, " on the ribbed plate"
        miss = f" (best misses by {100 * (best - 1):.1f} %{by})" if math.isfinite(best) else ""
        hunt.reasons[self.gauge] = f"{words}{miss}"

    def by_scout(self, hunt: Hunt, share: float) -> Verdict | None:
        """The sheet as it is if that will do; else beads by the scout, corrected by the judge.

        share: of the time left, for choosing by the scout.
        """
        panel, gauge = hunt.panel, self.gauge
        bare = self.pool.layout(gauge, self.pool.fixed)
        bad, heavy = hunt.glance(bare)
        if bad <= 1 or panel.goal == "stiffest":
            verdict = hunt.judge(bare)
            if verdict.met and panel.goal == "lightest":
                hunt.reasons[gauge] = AS_IT_IS
                return verdict
        drawn = self.drawn(hunt)
        self.chooser.ignore([i for i in heavy if not within_reach(panel.demands[i], gauge)])
        missing = _beyond(self.chooser)
        if missing and panel.goal == "lightest":
            hunt.judge(bare)
            count = len(self.pool.beads)
            hunt.reasons[gauge] = f"on the ribbed plate even all {count} bead candidates at once miss {missing}"
            return drawn
        share /= 1 if panel.goal == "lightest" or not heavy else BLIND
        self.chooser.deadline = time.monotonic() + share * max(hunt.left, 0.0)
        starts = (*self.starts, *promising(self.by_hand, self.chooser.worth(self.pool.fixed)))
        verdict, worst, last = _corrected(hunt, gauge, self.pool, self.chooser, starts)
        self.starts = (*self.starts, last)
        self.hurried = self.chooser.out_of_time()
        hunt.cut_short |= self.hurried
        self.near = self.chooser.weigh(last).worst <= ONCE_MORE or panel.goal == "stiffest"
        self.heavy = worst is not None and (worst in self.chooser.ignored or panel.demands[worst].kind in JUDGES)
        verdict = min((one for one in (verdict, drawn) if one), key=lambda one: rank(panel, one), default=None)
        if panel.goal == "stiffest":
            hunt.reasons[gauge] = "the gauge asked for: the stiffest layout is looked for in it"
        elif verdict is None:
            if gauge not in hunt.best_at:  # nothing was worth judging: what came nearest says by how much it misses
                hunt.judge(self.pool.layout(gauge, last))
            self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        else:
            hunt.reasons[gauge] = f"met with {in_words(len(verdict.layout.beads))}"
        return verdict

    def drawn(self, hunt: Hunt) -> Verdict | None:
        """Judge what somebody has drawn, on this gauge, where it keeps the rules; the best that meets."""
        layouts = [replace(layout, gauge=self.gauge) for layout in hunt.own]
        verdicts = [hunt.judge(layout) for layout in layouts if not layout_check.audit(hunt.panel, layout)]
        return min((one for one in verdicts if one.met), key=lambda one: rank(hunt.panel, one), default=None)

    @cached_property
    def by_hand(self) -> list[tuple[int, ...]]:
        """What a hand would draw, as choices of the pool: with the mirror images it lacks, and with the fixed ones."""
        pool, chooser = self.pool, self.chooser
        order = pool.order
        of_set = np.repeat(np.arange(len(pool.sets)), [len(one) for one in pool.sets])
        beads, blocked = tuple(pool.beads[i] for i in order), pool.blocked[np.ix_(order, order)]
        drawn = hand_layouts(beads, blocked, main_directions(chooser.panel))
        choices = (tuple(sorted({*pool.fixed, *of_set[list(choice)].tolist()})) for choice in drawn)
        return [choice for choice in dict.fromkeys(choices) if chooser.asked(choice)]

    def one_by_one(self, hunt: Hunt, share: float) -> Verdict | None:
        """Judge layouts one by one on the quick mesh, where large deflection decides, or what the scout is off by.

        First those a hand would draw, but for those that fail a frequency on the scout; then local moves on the best.
        Asked again, it goes on where it stopped.  share: of the time left.
        """
        if not self.heavy and not self.near:
            return None
        chooser, best = self.chooser, self.tried
        end = time.monotonic() + share * hunt.left
        if self.looking is None:
            best.append((math.inf, self.pool.fixed))
            self.looking = looks(chooser, self.pool, hunt.seed, self.starts, self.by_hand, self.heavy, best)
        told = math.inf
        while time.monotonic() <= end:
            chosen = next(self.looking)
            layout = self.pool.layout(self.gauge, chosen)
            bad = hunt.look(layout, best[-1][0])
            if bad < best[-1][0]:
                best.append((bad, chosen))
                hunt.tell(f"{self.gauge:g} mm: {len(chosen)} beads, judged one by one, badness {bad:.2f}")
                if bad <= 1 if chooser.goal else bad < CLEARLY * told:
                    told = bad
                    verdict = hunt.judge(layout)
                    if verdict.met and chooser.goal:
                        hunt.reasons[self.gauge] = f"met with {in_words(len(verdict.layout.beads))}, found one by one"
                        return verdict
        hunt.cut_short = True
        hunt.best_at[self.gauge] = min(best[-1][0], hunt.best_at.get(self.gauge, math.inf))
        if chooser.goal:
            self.missed(hunt, f"not found in {time.monotonic() - self.begun:.0f} s")
        return None


def in_words(count: int) -> str:
    """So many beads."""
    return f"{count} bead{'' if count == 1 else 's'}"


def chooser_of(panel: Panel, pool: Pool, plate: Scout) -> Chooser:
    """The scout with the bead candidates of `pool`."""
    each = minutes_each(panel, pool.beads)
    dies = {die.name: k for k, die in enumerate(panel.tools.bead_dies)}
    ends = np.cumsum([0, *(len(one) for one in pool.sets)])
    stiffest = panel.goal == "stiffest"
    return Chooser(
        scout=plate.grouped(ends),
        blocked=pool.set_conflicts,
        minutes=np.add.reduceat(each[pool.order], ends[:-1]) if pool.sets else np.zeros(0),
        deadline=math.inf,
        goal=0.0 if stiffest else GOAL,
        die_minutes=panel.tools.roller.die_change_minutes + process_plan.TRIAL_STRIP,
        beads=np.diff(ends),
        dies=np.array([dies.get(pool.beads[one[0]].die.name, -1) for one in pool.sets]),
        beads_at_most=panel.beads_at_most,
        dies_at_most=panel.dies_at_most,
        near=neighbours([pool.beads[one[0]] for one in pool.sets]),
        fixed=pool.fixed,
    )


def _beyond(chooser: Chooser) -> str:
    """Frequencies that the scout misses even with every bead candidate at once, conflicts ignored; '' if none.

    Each bead only adds stiffness and no mass, so no choice among them does better on the ribbed plate; HOPELESS leaves
    room for what the ribbed plate is off.  Only frequencies: other demands may be met beyond small deflections, where
    this model does not speak.
    """
    bad = chooser.bad(chooser.scout.respond(tuple(range(len(chooser.minutes)))))
    demands = chooser.panel.demands
    return ", ".join(demands[i].label for i, b in bad.items() if demands[i].kind == "frequency" and b > HOPELESS)


def is_heavy(demand: DemandResult) -> bool:
    """True where a load bends the sheet so far that the scout has nothing to say."""
    return demand.kind != "frequency" and demand.ratio_w_t > HEAVY


def _corrected(
    hunt: Hunt, gauge: float, pool: Pool, chooser: Chooser, own: tuple[tuple[int, ...], ...]
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
        chooser.ignore([i for i in chooser.ignored if is_heavy(verdict.demands[i])])
        if not learn(chooser, choice, verdict) or chooser.out_of_time() or worst in chooser.ignored:
            break
    return None, worst, choice.chosen


def learn(chooser: Chooser, choice: Choice, verdict: Verdict) -> bool:
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
