"""Folds, curved flanges and edge trims."""

from __future__ import annotations

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop.bends import bend_allowance, flanges
from stiffen.shop.folding.curved_flange import outside_leg
from stiffen.shop.folding.edge_trims import trim_cut

from ..sections import Table
from .value_texts import datum_xy, shortened

FOLDS_TITLE = "FOLDS, IN THE ORDER TO MAKE THEM"
FOLD_HEAD = ("fold", "angle", "face", "inside R", "takes", "flange mm")


def trim_parts(panel: Panel, layout: Layout) -> list[str | Table]:
    """One row an edge trim: its length to cut, where it begins and ends; then how tubes are slit and bent."""
    if not panel.trims:
        return []
    rows, notes = [], []
    for number, trim in enumerate(panel.trims, 1):
        cut = trim_cut(panel, trim, layout.gauge)
        what = trim.what or (f"tube {trim.tube:g}" if trim.tube else "edging")
        ends = (
            ("all round", "", "", "")
            if trim.path is None
            else (*datum_xy(panel, trim.path[0]), *datum_xy(panel, trim.path[-1]))
        )
        rows.append((f"{number}", shortened(what, 24), f"{cut.length:.0f}", *ends))
        notes += [f"Trim {number}: {line}" for line in cut.notes]
    return [Table(("trim", "what", "cut to mm", "from X", "Y", "to X", "Y"), tuple(rows), (0, 2, 3, 4, 5, 6)), *notes]


def fold_parts(panel: Panel, layout: Layout) -> list[str | Table]:
    """One row a fold: its angle, face, radius, the sheet that it takes, the flange."""
    if not panel.is_folded:
        return []
    rows = []
    for fold, flange in zip(panel.folds, flanges(panel, layout.gauge), strict=True):
        side = "up" if fold.angle > 0 else "down"
        size = (f"{fold.radius:g}", f"{flange.allowance:.1f}", f"{flange.outside:.1f}")
        rows.append((f"{flange.number}", f"{abs(fold.angle):g}", side, *size))
    neutral = panel.tools.folding_brake.neutral
    for number, curved in enumerate(panel.curved_flanges, len(rows) + 1):
        side = "up" if curved.angle > 0 else "down"
        takes = bend_allowance(abs(curved.angle), curved.bend_radius, layout.gauge, neutral)
        size = (f"{curved.bend_radius:g}", f"{takes:.1f}", f"{outside_leg(curved, layout.gauge, neutral):.1f}")
        rows.append((f"{number} curved", f"{abs(curved.angle):g}", side, *size))
    return [
        Table(FOLD_HEAD, tuple(rows), (0, 1, 3, 4, 5)),
        "Face: toward it the flange turns. Takes: mm of sheet. Picture: up face white, down face grey.",
    ]
