"""The layouts that a search proposes, side by side: the same table on the card, in the report and on the screen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Proposal, Verdict
from stiffen.optimise.search.settings import DEFAULT_SETTINGS

from .sections import Table

PROPOSAL_HEAD = ("layout", "sheet", "mass kg", "minutes", "least margin", "beads", "flared holes", "to measure")
RIGHT_ALIGNED = (2, 3, 4, 7)


def proposal_table(proposals: Sequence[Proposal]) -> Table | None:
    """A row for each proposal; None if there are fewer than two.

    To measure: distinct dimensions that a person must measure to mark the layout out.
    """
    if len(proposals) < 2:
        return None
    return Table(PROPOSAL_HEAD, tuple(map(_row, proposals)), RIGHT_ALIGNED)


def _row(proposal: Proposal) -> tuple[str, ...]:
    layout = proposal.verdict.layout
    margin = min((one.margin for one in proposal.verdict.demands), default=0.0)
    return (
        proposal.name,
        f"{layout.gauge:g} mm",
        f"{proposal.verdict.mass_kg:.3f}",
        f"{proposal.minutes:.0f}",
        f"{100 * margin:+.0f} %",
        _by_die(layout.beads),
        _by_die(layout.holes),
        f"{proposal.dimensions}",
    )


def _by_die(parts: Sequence[Bead] | Sequence[Hole]) -> str:
    """Numbers by die, as "6 F24, 2 B12"."""
    counts = Counter(part.die.name for part in parts)
    return ", ".join(f"{count} {name}" for name, count in counts.items()) or "none"


def proposal_notes(panel: Panel, proposals: Sequence[Proposal], verdict: Verdict) -> list[str]:
    """What the names mean, and what the minutes of the lightest bring."""
    if len(proposals) < 2:
        return []
    by_name = {name: one for one in proposals for name in one.names}
    notes = [
        f"Recommended: the least mass plus {panel.grams_per_minute:g} g for each minute at the bench and "
        f"{100 * DEFAULT_SETTINGS.mass_per_dimension:g} % for each dimension to measure"
        + (f", with {100 * panel.margin:g} % in hand on every demand." if panel.margin else ".")
    ]
    lightest, quickest = by_name.get("lightest"), by_name.get("quickest")
    if lightest and quickest and lightest is not quickest:
        minutes = lightest.minutes - quickest.minutes
        grams = 1000 * (quickest.verdict.mass_kg - lightest.verdict.mass_kg)
        if minutes >= 0.5 and grams >= 0.5:
            notes.append(
                f"From the quickest to the lightest: {minutes:.0f} minutes more for {grams:.0f} g less, "
                f"{grams / minutes:.1f} g a minute."
            )
    recommended = by_name.get("recommended")
    if recommended and any(one.margin < panel.margin for one in recommended.verdict.demands):
        notes.append(f"No layout found keeps {100 * panel.margin:g} % in hand on every demand.")
    chosen = next((one.name for one in proposals if _same(one.verdict.layout, verdict.layout)), None)
    mine = f"The files of this folder are those of the {chosen} layout. " if chosen else ""
    others = " and ".join(file_name(one) for one in proposals if one.name != chosen)
    notes.append(f"{mine}For the others: stiffen draw {others}.")
    return notes


def _same(a: Layout, b: Layout) -> bool:
    """True if two layouts differ at most in the order of their beads."""
    return (a.gauge, set(a.beads), set(a.holes)) == (b.gauge, set(b.beads), set(b.holes))


def file_name(proposal: Proposal) -> str:
    """Name of the layout file of a proposal in the folder of a search."""
    return f"{proposal.name.replace(' and ', '_')}.json"
