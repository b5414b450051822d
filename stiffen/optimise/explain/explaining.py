"""Explains the layout of a search: what each part adds, what would help, what the other face would save."""

from __future__ import annotations

import math
from concurrent.futures import Executor
from dataclasses import replace

from stiffen.analysis.evaluation import Progress, no_progress
from stiffen.model.explanation import Explanation, HelpfulChange, OtherFace
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult, Verdict
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.regular_patterns import families, members
from stiffen.shop import layout_check

from .changes import changes, on_face, opposite
from .estimator import Estimator
from .part_worth import part_worths

MOST_CHANGES = 3  # told
TRIED_COUNTS = (4, 6, 8, 10)  # beads of the regular layouts that are tried on the other face
TRIED_DIES = 2
CONFIRMED_UP_TO = 1.05  # utilisation by the surrogate up to which the shell is asked about the other face
WORTH_TELLING = 0.03  # by what share a change must lower the largest utilisation


def with_explanation(
    panel: Panel, result: SearchResult, *, executor: Executor | None = None, progress: Progress = no_progress
) -> SearchResult:
    """The result of a search with its explanation; see `explain`."""
    estimator = Estimator(panel, result.verdict, executor, result.quick_utilisations)
    return replace(result, explanation=_explained(estimator, progress))


def explain(
    panel: Panel, verdict: Verdict, *, executor: Executor | None = None, progress: Progress = no_progress
) -> Explanation:
    """What each part of a layout adds, what would help where it misses a demand, what the other face would save.

    verdict: by the shell.  executor: runs the evaluations on its workers; the explanation is the same.  It takes about
    thirty evaluations by the surrogate and at most five by the shell's quick mesh, and one more for each part where a
    stress or buckling is demanded.  Without demands there is nothing to explain.
    """
    return _explained(Estimator(panel, verdict, executor), progress)


def _explained(estimator: Estimator, progress: Progress) -> Explanation:
    """The explanation of an estimator's layout; see `explain`."""
    panel, verdict = estimator.panel, estimator.verdict
    if not verdict.demands:
        return Explanation(estimator.here)
    progress(None, "what each bead adds")
    parts = part_worths(estimator) if math.isfinite(estimator.here.utilisation) else ()
    helpful: tuple[HelpfulChange, ...] = ()
    if not verdict.met:
        progress(None, "what would help")
        helpful = helpful_changes(estimator)
    other = None
    if panel.bead_side != "either" and panel.tools.bead_dies:
        progress(None, "what the other face would save")
        other = other_face(estimator)
    return Explanation(estimator.here, parts, helpful, other)


def helpful_changes(estimator: Estimator) -> tuple[HelpfulChange, ...]:
    """The two or three changes that help most, one of each kind: those that meet all demands first.

    All are estimated by the surrogate, those told by the shell's quick mesh too, where that can.
    """
    panel, verdict = estimator.panel, estimator.verdict
    found = changes(panel, verdict)
    by_surrogate = estimator.variants([(one.panel, one.layout) for one in found])
    here = estimator.here.utilisation
    best: dict[str, int] = {}
    for place, estimate in enumerate(by_surrogate):
        kind = found[place].kind
        if estimate.utilisation < (1 - WORTH_TELLING) * here and (
            kind not in best or estimate.utilisation < by_surrogate[best[kind]].utilisation
        ):
            best[kind] = place
    chosen = sorted(best.values(), key=lambda place: (by_surrogate[place].utilisation, place))[:MOST_CHANGES]
    confirmed = estimator.confirm([(found[place].panel, found[place].layout) for place in chosen])
    mass = panel.mass(verdict.layout)
    told = []
    for place, shell in zip(chosen, confirmed, strict=True):
        one, estimate = found[place], shell if math.isfinite(shell.utilisation) else by_surrogate[place]
        if estimate.utilisation < (1 - WORTH_TELLING) * here:
            told.append(HelpfulChange(one.what, estimate, one.panel.mass(one.layout) - mass))
    return tuple(sorted(told, key=lambda one: (not one.estimate.met, one.mass_kg if one.estimate.met else 0.0)))


def other_face(estimator: Estimator) -> OtherFace:
    """The same beads on the other face, and the next thinner sheet there with the best of some regular layouts."""
    panel, layout = estimator.panel, estimator.verdict.layout
    face = opposite(panel.bead_side)
    there = replace(panel, bead_side="either")
    turned = on_face(layout, face)
    thinner = max((gauge for gauge in panel.gauges if gauge < layout.gauge), default=None)
    same = estimator.variants([(there, turned)])[0] if turned != layout else None
    if thinner is None or not estimator.verdict.met:
        return OtherFace(face, same)
    tried = [(there, one) for one in _layouts_on(there, face, replace(turned, gauge=thinner))]
    if not tried:
        return OtherFace(face, same)
    found = estimator.variants(tried)
    best = min(range(len(found)), key=lambda place: (found[place].utilisation, place))
    estimate = found[best]
    if estimate.utilisation <= CONFIRMED_UP_TO:
        estimate = estimator.confirm([tried[best]])[0]
    saved = panel.mass(layout) - there.mass(tried[best][1])
    return OtherFace(face, same, thinner, estimate, saved)


def _layouts_on(panel: Panel, face: str, turned: Layout) -> list[Layout]:
    """Layouts to try at a gauge: the turned one, and regular ones of the dies that it uses or the deepest mild ones."""
    rules = BeadRules(panel, turned.gauge, "")
    mild = sorted((die for die in rules.dies if not rules.may_crack(die)), key=lambda die: -die.depth)
    used = [die for die in dict.fromkeys(bead.die for bead in turned.beads) if die in rules.dies]
    dies = tuple(dict.fromkeys((*used, *mild)))[:TRIED_DIES]
    most = math.inf if panel.beads_at_most is None else panel.beads_at_most
    tried = [turned] if turned.beads else []
    for family in (one for one in families(rules, dies) if one.side == face):
        for count in TRIED_COUNTS if family.angle is not None else (1,):
            groups = members(rules, family, count) if count <= most else None
            if groups:
                beads = (*rules.fixed[0], *(bead for group in groups for bead in group))
                tried.append(Layout(turned.gauge, beads, rules.fixed[1]))
    return [one for one in dict.fromkeys(tried) if not layout_check.audit(panel, one)]
