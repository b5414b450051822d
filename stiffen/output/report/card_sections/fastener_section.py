"""The most loaded rivets and bolts."""

from __future__ import annotations

import math

from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop.rivets import COMMON_RIVET_SHEAR, bolt_name, fastener_utilisations

from ..sections import Table, columns
from .value_texts import datum_xy, percent_text


def fastener_table(panel: Panel, verdict: Verdict) -> list[str]:
    """The most loaded rivet or bolt of each case and support, as lines of text; empty if there is none."""
    return [
        line
        for table in _fastener_tables(panel, verdict)
        for line in columns(table.head, table.rows, right_aligned=table.right_aligned)
    ]


def fastener_parts(panel: Panel, verdict: Verdict) -> list[str | Table]:
    """The table, and a note on rivets that carry more than aluminium ones commonly do, if no strength is given."""
    found = fastener_utilisations(panel, verdict)
    heavy: dict[float, float] = {}
    for use in found:
        support = panel.supports[use.support_number - 1]
        carried = math.hypot(use.load.shear, use.load.pull)
        common = COMMON_RIVET_SHEAR.get(support.diameter, (math.inf,))[0]
        if support.kind == "rivets" and use.strength is None and carried > common:
            heavy[support.diameter] = max(carried, heavy.get(support.diameter, 0.0))
    notes = [
        f"{diameter:g} mm rivets carry up to {carried:.0f} N. Aluminium blind rivets of this size commonly stand "
        f"{' to '.join(f'{value:g}' for value in COMMON_RIVET_SHEAR[diameter])} N in shear (ISO 15977, from memory): "
        "find the strength of yours, enter it in the panel file, and take more, thicker or steel ones."
        for diameter, carried in heavy.items()
    ]
    return [*_fastener_tables(panel, verdict), *notes]


def _fastener_tables(panel: Panel, verdict: Verdict) -> list[Table]:
    """The most loaded rivet or bolt of each case and support."""
    rows = []
    for use in fastener_utilisations(panel, verdict):
        one, support = use.load, panel.supports[use.support_number - 1]
        what = bolt_name(support.diameter) if support.kind == "bolts" else f"{support.diameter:g} mm rivet"
        strength = "not given" if use.strength is None else f"{use.strength:.0f}"
        share = "-" if use.utilisation is None else percent_text(use.utilisation)
        rows.append(
            (one.case, what, *datum_xy(panel, one.centre), f"{one.shear:.0f}", f"{one.pull:.0f}", strength, share)
        )
    if not rows:
        return []
    head = ("case", "what", "X mm", "Y mm", "shear N", "pull N", "strength N", "used")
    return [Table(head, tuple(rows), (2, 3, 4, 5, 6, 7))]
