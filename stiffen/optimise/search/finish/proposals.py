"""The three layouts that a search proposes: the lightest, the recommended, the quickest.

Lightest: least mass, whatever the minutes.  Recommended: least mass plus minutes at the bench times
`Panel.grams_per_minute`, among layouts that keep `Panel.margin` on every demand.  Quickest: fewest minutes at the gauge
of the lightest, or of the recommended if that takes fewer.  What must be measured counts too (`incumbent.in_order`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from stiffen.model.layout import Layout
from stiffen.model.results import Alternative, Proposal, Verdict
from stiffen.optimise.candidates.bead_rules import BeadRules, is_short_bow
from stiffen.optimise.candidates.straight_beads import fixed_beads_and_holes
from stiffen.optimise.candidates.whole_millimetres import is_on_whole_millimetres
from stiffen.shop import layout_check, process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

from ..budget import Budget
from ..incumbent import OnBest, ignore_best, in_order
from ..limits import cost, keeps_margin, margin_limit, within_limits
from ..state import SearchState
from ..work_share import COLLECTED, SETTLED, UNTIL_MET
from .hole_placement import SAME_MASS, Worth, add_holes, further_holes, worth_for_lightest
from .neatening import drawn_evenly, neaten, rounded_to_millimetres, with_ends_on_hole_lines
from .room_for_holes import roomier_layouts
from .strike_out import strike_out

NAMES = ("lightest", "recommended", "quickest")
MORE_BEADS = (0, 1, 2)  # beads that may be added to a set of parallel ones to keep the margin
EVEN = 4  # dimensions to measure of a layout that needs no other
NO_WORSE = 1.01  # times the utilisation of a layout that misses the demands: what a neat variant may have
BEFORE_HOLES = 0.3  # of the work of `collect`
FULL_TRIALS = 3  # layouts that are evaluated in full for one proposal


@dataclass(eq=False)
class Options:
    """Layouts from which the proposals are chosen.  found: with the utilisation that the quick mesh lets expect."""

    state: SearchState
    found: dict[Layout, float] = field(default_factory=dict)

    def add(self, layout: Layout | None) -> None:
        """Add a layout if it keeps the rules of the shop and the panel's limits and is expected to meet the demands."""
        panel = self.state.panel
        if layout is None or layout in self.found or not within_limits(panel, layout):
            return
        known = self.state.evaluator.verdicts.get(layout)
        expected = known.utilisation if known is not None else self.state.evaluator.expected([layout])[0]
        if expected <= 1.0 and not layout_check.audit(panel, layout):
            self.found[layout] = expected

    @property
    def sturdy(self) -> list[Layout]:
        """The layouts that are expected to keep the margin."""
        limit = margin_limit(self.state.panel)
        return [layout for layout, expected in self.found.items() if expected <= limit]

    @property
    def gauges(self) -> set[float]:
        """mm, of the layouts."""
        return {layout.gauge for layout in self.found}

    def may_pay(self, gauge: float) -> bool:
        """True if a heavier gauge may give the recommended layout.

        So it is if none yet keeps the margin, or if the bare sheet of that gauge would cost less.
        """
        panel = self.state.panel
        if not self.sturdy:
            return True
        bare = Layout(gauge, *fixed_beads_and_holes(panel))
        return cost(panel, bare) < min(cost(panel, one) for one in self.sturdy)


def collect(
    state: SearchState,
    budget: Budget,
    options: Options,
    verdict: Verdict,
    rules: BeadRules,
    shorter: Sequence[Layout] = (),
    for_holes: Sequence[Layout] = (),
) -> None:
    """Add to the options what comes of one layout that meets the demands: without needless beads, neat, with holes.

    shorter: layouts with less to roll that may meet the demands too; they leave more room for holes.
    for_holes: layouts that may meet the demands with holes only.
    """
    settings, panel = state.settings, state.panel
    state.work.enter(UNTIL_MET, COLLECTED)
    safe = settings.safe_pass_limit
    tight = min(safe, margin_limit(panel))
    keeping_rules = [one for one in shorter if not layout_check.audit(panel, one)]
    state.evaluator.start_quickly(*keeping_rules)  # `neaten` asks for both
    state.runner.start_confirm(*keeping_rules)
    plain = strike_out(state, budget, verdict.layout, rules)
    plain = rounded_to_millimetres(state, plain, rules, 1.0)
    neat = neaten(state, budget, plain, rules, safe) or plain
    keeps = state.evaluator.expected([neat])[0] <= tight
    drawn = None
    framed = any(bead.closed for bead in neat.beads)  # frames leave little room for holes
    if not keeps or framed or distinct_dimensions(panel, neat).count > EVEN:
        drawn = drawn_evenly(state, budget, neat, rules, tight)
    if drawn is None and not keeps:
        drawn = neaten(state, budget, neat, rules, tight, MORE_BEADS)
    sturdy = rounded_to_millimetres(state, drawn or neat, rules, tight if keeps or drawn else safe)
    bare = list(dict.fromkeys((plain, neat, sturdy)))
    # nearer to the limit the mesh error decides against most layouts, so there they come second
    found = [neaten(state, budget, one, rules, safe) or neaten(state, budget, one, rules, 1.0) for one in keeping_rules]
    short = [rounded_to_millimetres(state, one, rules, 1.0) for one in found if one is not None]
    bare = list(dict.fromkeys((*bare, *short)))
    for layout in (verdict.layout, *bare):
        options.add(layout)
    state.work.stage = BEFORE_HOLES
    if not panel.tools.hole_dies or budget.is_spent:
        return
    even = [one for one in (neat, *short) if not distinct_dimensions(panel, one).odd]
    neat_ones = [sturdy, *even]  # holes are put beside even beads only
    stiffest = min(neat_ones, key=lambda one: state.evaluator.expected([one])[0])
    quickest = min(neat_ones, key=lambda one: (round(one.rolled_length), len(one.beads)))
    keeps = state.evaluator.expected([sturdy])[0] <= tight
    state.runner.start_confirm(sturdy)  # beside the room for holes
    # the least length to roll leaves room for holes, and so do beads closer together
    bases = list(dict.fromkeys((sturdy, stiffest, quickest, *roomier_layouts(state, sturdy, rules, safe))))
    further = [one for one in _neat_for_holes(state, budget, for_holes, rules) if one not in bases]
    cheaply = worth_for_lightest(state, sturdy, safe)
    worths = (
        replace(cheaply, grams_per_minute=panel.grams_per_minute, limit=tight if keeps else safe),
        cheaply,
    )
    worthy, lightest = add_holes(state, budget, (*bases, *further), rules.mirror_axes, worths, further)
    holed = {worthy: worths[0].limit}
    if panel.mass(lightest) < (1 - SAME_MASS) * panel.mass(worthy):
        holed[lightest] = worths[1].limit
    holed.pop(sturdy, None)
    _add_holed(state, budget, options, holed, rules)
    # beside larger holes, which are worth their minutes, small ones may save more than in a pattern of their own
    for base in dict.fromkeys((*in_order(panel, options.found, "lightest", settings)[:1], worthy)):
        if base.gauge == rules.gauge and len(base.holes) > len(rules.fixed[1]):
            for more in further_holes(state, budget, base, rules.mirror_axes, safe):
                options.add(more)


def collect_with_holes(
    state: SearchState, budget: Budget, options: Options, layouts: Sequence[Layout], rules: BeadRules
) -> None:
    """Add to the options what comes of layouts that may meet the demands with flared holes only."""
    panel = state.panel
    bases = _neat_for_holes(state, budget, layouts, rules)
    if not bases or budget.is_spent:
        return
    safe = state.settings.safe_pass_limit
    cheaply = worth_for_lightest(state, bases[0], safe)
    recommended = Worth(panel.grams_per_minute, min(safe, margin_limit(panel)))
    worths = (recommended, cheaply)
    found = add_holes(state, budget, bases, rules.mirror_axes, worths, bases)
    holed = {one: worth.limit for one, worth in zip(found, worths, strict=True) if one != bases[0]}
    _add_holed(state, budget, options, holed, rules)


def _add_holed(
    state: SearchState, budget: Budget, options: Options, holed: dict[Layout, float], rules: BeadRules
) -> None:
    """Add layouts with holes to the options, and what comes of them without needless beads and neat.

    holed: layout -> utilisation to keep.
    """
    state.runner.start_confirm(*holed)
    for one, limit in holed.items():
        state.work.stage += (1 - BEFORE_HOLES) / len(holed)
        options.add(one)
        options.add(with_ends_on_hole_lines(state, one, rules, limit))
        fewer = strike_out(state, budget, one, rules, limit)
        options.add(fewer)
        if fewer != one:
            options.add(neaten(state, budget, fewer, rules, limit))


def _neat_for_holes(state: SearchState, budget: Budget, layouts: Sequence[Layout], rules: BeadRules) -> list[Layout]:
    """Of some layouts that may meet the demands with holes only, neat variants that miss them no more."""
    made: list[Layout] = []
    for one in layouts:
        if layout_check.audit(state.panel, one):
            continue
        limit = NO_WORSE * state.evaluator.expected([one])[0]
        if (neat := neaten(state, budget, one, rules, limit)) is not None:
            neat = rounded_to_millimetres(state, neat, rules, limit)
            even = not distinct_dimensions(state.panel, neat).odd and all(map(is_on_whole_millimetres, neat.beads))
            made += [neat] if even else []
    return list(dict.fromkeys(made))


def settle(
    state: SearchState, budget: Budget, options: Options, when_decided: OnBest = ignore_best
) -> dict[str, Verdict]:
    """Choose the proposals; the shell model evaluates each in full, and the next best where one misses.

    when_decided: called with the verdict for the panel's goal before the others are evaluated.
    """
    chosen: dict[str, Verdict] = {}
    pools = _pools(state, options)
    firsts = {name: in_order(state.panel, found[0].layouts, name, state.settings)[:1] for name, found in pools.items()}
    own = firsts.get(state.panel.goal, [])  # evaluated in this process, as the solution behind it is wanted too
    if not budget.is_spent:
        state.evaluator.start([one for first in firsts.values() for one in first if one not in own])
    in_turn = sorted(NAMES, key=lambda name: (name != state.panel.goal, NAMES.index(name)))
    for number, name in enumerate(in_turn):
        state.work.enter(*(COLLECTED + (SETTLED - COLLECTED) * (number + k) / len(NAMES) for k in (0, 1)))
        for pool in pools[name]:
            ranked = in_order(state.panel, pool.layouts, name, state.settings)
            verdict = _first_that_holds(state, budget, ranked, pool.wants_margin)
            if verdict is not None:
                chosen[name] = verdict
                if name == state.panel.goal:
                    when_decided(verdict)
                break
    return {name: _best_known(state, name, chosen) for name in chosen}


class Pool(NamedTuple):
    """Layouts from which a proposal is chosen.  wants_margin: True if it must keep the margin."""

    layouts: list[Layout]
    wants_margin: bool = False


def _pools(state: SearchState, options: Options) -> dict[str, list[Pool]]:
    """The layouts from which each proposal is chosen; those of a later pool only where none of an earlier one holds.

    Layouts with a short bow come after those without.
    """
    found, lightest_gauge = list(options.found), min(options.gauges, default=math.nan)
    pools = {
        "lightest": [Pool(found)],
        "recommended": [Pool(options.sturdy, wants_margin=True), Pool(found)],
        "quickest": [Pool([one for one in found if one.gauge == lightest_gauge])],
    }
    return {name: [part for pool in own for part in _short_bows_last(pool)] for name, own in pools.items()}


def _short_bows_last(pool: Pool) -> list[Pool]:
    """The layouts without a short bow, if there are both; then all."""
    without = [one for one in pool.layouts if not any(map(is_short_bow, one.beads))]
    return [pool] if len(without) in (0, len(pool.layouts)) else [pool._replace(layouts=without), pool]


def _best_known(state: SearchState, name: str, chosen: dict[str, Verdict]) -> Verdict:
    """The verdict chosen for a name, or one evaluated for another name that serves this one better."""
    own, recommended = chosen[name], chosen.get("recommended")
    if name == "lightest" and recommended and recommended.mass_kg <= (1 + SAME_MASS) * own.mass_kg:
        return recommended  # of equal mass, and worth its minutes
    verdicts = {one.layout: one for one in chosen.values() if _serves(state, one, name, chosen)} | {own.layout: own}
    return verdicts[in_order(state.panel, verdicts, name, state.settings)[0]]


def _serves(state: SearchState, verdict: Verdict, name: str, chosen: dict[str, Verdict]) -> bool:
    """True if a layout that was chosen under another name may be proposed under this one."""
    if name == "recommended":
        return keeps_margin(state.panel, verdict) or not keeps_margin(state.panel, chosen[name])
    return True


def _first_that_holds(state: SearchState, budget: Budget, ranked: list[Layout], wants_margin: bool) -> Verdict | None:
    """The first verdict of some layouts that meets the demands, with the margin if that is wanted."""
    trials = 0
    for layout in ranked:
        if layout not in state.evaluator.verdicts:
            out_of_time = budget.is_spent and (trials > 0 or state.incumbent.met)
            if trials == FULL_TRIALS or out_of_time:
                state.cut_short = state.cut_short or out_of_time
                continue
            trials += 1
            what = f"{len(layout.beads)} beads and {len(layout.holes)} holes"
            state.report(f"{layout.gauge:g} mm: computing {what} in full")
        verdict = state.evaluate(layout)
        if verdict.met and (not wants_margin or keeps_margin(state.panel, verdict)):
            return verdict
    return None


def proposals_of(state: SearchState, chosen: dict[str, Verdict]) -> tuple[Proposal, ...]:
    """The proposals, each layout once."""
    names: dict[Layout, list[str]] = {}
    for name in NAMES:
        if name in chosen:
            names.setdefault(chosen[name].layout, []).append(name)
    verdicts = {verdict.layout: verdict for verdict in chosen.values()}
    return tuple(
        Proposal(
            tuple(own),
            verdicts[layout],
            process_plan.minutes(state.panel, layout),
            distinct_dimensions(state.panel, layout).count,
        )
        for layout, own in names.items()
    )


def alternatives_of(state: SearchState, options: Options) -> tuple[Alternative, ...]:
    """What the proposals were chosen from, quickest first, without what misses in full."""
    panel, verdicts = state.panel, state.evaluator.verdicts
    held = [one for one in options.found if one not in verdicts or verdicts[one].met]
    found = [Alternative(one, panel.mass(one), process_plan.minutes(panel, one)) for one in held]
    return tuple(sorted(found, key=lambda one: (one.minutes, one.mass_kg)))
