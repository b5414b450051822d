"""A search asked for from the page, in a process of its own; each better layout is told as soon as it is found."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

from stiffen.errors import StiffenError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.optimise.search.driver import search
from stiffen.shop.layout_check import audit
from stiffen.shop.process_plan import minutes

from .records import layout_from, verdict_data
from .workers import Mailbox

TOLD_EVERY = 0.3  # s between two messages on how far the search is


def panel_to_search(panel: Panel, layout: Layout, one_gauge: bool) -> Panel:
    """The panel whose own beads and holes are the frozen ones of a layout; with one_gauge, in that gauge alone."""
    frozen = replace(
        panel,
        beads=tuple(bead for bead in layout.beads if bead.fixed),
        holes=tuple(hole for hole in layout.holes if hole.fixed),
    )
    return replace(frozen, gauges=(layout.gauge,)) if one_gauge else frozen


def run_search(panel: Panel, content: dict, mailbox: Mailbox) -> None:
    """Search and tell.  The layout on the page counts as found if it breaks no rule."""
    layout = layout_from(content["layout"], panel)
    searched = panel_to_search(panel, layout, bool(content["one_gauge"]))
    keeps_rules = not audit(searched, layout) and layout.gauge in searched.gauges
    told_at = 0.0

    def progress(fraction: float | None, message: str) -> None:
        nonlocal told_at
        if time.monotonic() - told_at > TOLD_EVERY:
            told_at = time.monotonic()
            mailbox.send("search progress", {"message": message})

    def on_best(verdict: Verdict) -> None:
        mailbox.send("search best", found_data(panel, verdict))

    result = search(
        searched,
        effort=str(content["effort"]),
        start=layout if keeps_rules and searched.within_count_limits(layout) else None,
        progress=progress,
        on_best=on_best,
    )
    mailbox.send("search ended", {**found_data(panel, result.verdict), "stopped": result.stopped})


def found_data(panel: Panel, verdict: Verdict) -> dict:
    """A layout that the search found, and its verdict."""
    return {
        "layout": verdict.layout.to_dict(),
        "minutes": minutes(panel, verdict.layout),
        "verdict": verdict_data(verdict),
    }


def serve(mailbox: Mailbox) -> None:
    """Main function of the process.

    Messages: ("panel", Panel), ("search", {layout, effort, one_gauge}).
    """
    panel: Any = None
    while True:
        kind, content = mailbox.take("panel")
        if kind == "panel":
            panel = content
        elif kind == "search":
            try:
                run_search(panel, content, mailbox)
            except StiffenError as error:
                mailbox.send("search failed", {"why": str(error)})
