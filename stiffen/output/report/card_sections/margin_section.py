"""What is left of each margin if the work comes out short."""

from __future__ import annotations

from stiffen.model.layout import Layout
from stiffen.model.results import BenchMargin

from ..sections import Table
from .value_texts import percent_text


def bench_margin_parts(found: BenchMargin | None, layout: Layout) -> list[str | Table]:
    """Margins with shallow beads and thin sheet, and the least depth that does."""
    if found is None:
        return []
    shallow = [percent_text(one, sign=True) for one in found.with_shallow_beads] or ["-"] * len(found.labels)
    thin = [percent_text(one, sign=True) for one in found.with_thin_sheet]
    rows = list(zip(found.labels, shallow, thin, strict=True))
    head = ("margin of", "beads 10 % shallower", f"sheet {found.thin_sheet:g} mm")
    notes = [f"{found.thin_sheet:g} mm is the lower tolerance of the sheet ({found.standard})."]
    dies = {bead.die.name: bead.die.depth for bead in layout.beads}
    share = found.least_depth_share
    if dies and share is None:
        notes.append("Beads 10 % shallower would no longer do: measure their depth before you trim.")
    elif dies and share is not None:
        depths = ", ".join(f"{name} {share * depth:.1f} mm" for name, depth in dies.items())
        least = "at least " if share != found.least_share_tried else ""
        notes.append(f"All demands hold with beads {least}this deep: {depths} ({100 * share:.0f} % of the die).")
    return [Table(head, tuple(rows), (1, 2)), *notes]
