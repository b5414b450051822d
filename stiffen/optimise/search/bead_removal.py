"""Beads out again that the judge does not need: the scout is slow to see which where large deflection decides."""

from __future__ import annotations

from stiffen.model.results import Verdict
from stiffen.shop import layout_check

from .gauge_search import Attempt, in_words
from .proposals import HOPELESS
from .state import Hunt


def pared(hunt: Hunt, verdict: Verdict, here: Attempt) -> Verdict:
    """A verdict that is met with as few of the layout's beads as the time left allows to find out.

    Half of them go at once, then a quarter and so on; those first that the scout says do least.
    """
    panel, pool, chooser = hunt.panel, here.pool, here.chooser
    chosen = pool.choice(verdict.layout.beads)
    if chosen is None or verdict.layout.gauge != here.gauge:
        return verdict
    size = max(len(chosen) // 2, 1)
    while size:
        gain = chooser.worth(chosen)
        loose = sorted((i for i in chosen if i not in pool.fixed), key=lambda i: (gain[i], i))
        for first in range(0, len(loose), size):
            rest = tuple(i for i in chosen if i not in loose[first : first + size])
            if hunt.left <= 0:
                hunt.cut_short |= bool(loose)
                return verdict
            layout = pool.layout(here.gauge, rest)
            if chooser.weigh(rest).worst > HOPELESS or layout_check.audit(panel, layout):
                continue
            hunt.tell(f"{here.gauge:g} mm: will {in_words(len(layout.beads))} do?")
            if hunt.look(layout, 1.0) <= 1 and (fewer := hunt.judge(layout)).met:
                verdict, chosen = fewer, rest
                hunt.reasons[here.gauge] = f"met with {in_words(len(layout.beads))}"
                break
        else:
            size //= 2
    return verdict
