"""The build with its joints made: every part with the rivet holes of the joints that go through it.

mm.  A row of rivets that a panel file has already, along the same line, takes the joint's places; else the joint's
rivets are added to the panel's supports.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from shapely.geometry import LineString

from stiffen.errors import Fault, InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.model.panel import Panel, Support
from stiffen.shop.layout_check import audit

from .angle_strips import strip_panel
from .joint_rivets import JointRivets, lay_out
from .placement import PlacedPart, placed_panel, placed_strip
from .records import Place, WholeBuild

SAME_ROW = 3.0  # mm between a joint's row and a row of the panel file that count as one
SAME_SHARE = 0.8  # of a joint's row that lies so near to it


@dataclass(frozen=True, eq=False)
class FittedBuild:
    """A build with its rivets.

    gauges: mm of each panel, by name.  panels, strips: by name, as flat panels with the rivets of the joints.  parts:
    those that have a place.  rivets: of each joint.
    """

    build: WholeBuild
    gauges: Mapping[str, float]
    panels: Mapping[str, Panel]
    strips: Mapping[str, Panel]
    parts: Mapping[str, PlacedPart]
    rivets: tuple[JointRivets, ...]


def fitted_build(build: WholeBuild, gauges: Mapping[str, float] | None = None) -> FittedBuild:
    """The build at the gauges of its panels, mm by name; the thinnest of each unless given.

    Raises InputError with every joint that cannot be made, and MeshError for folds that overlap.
    """
    gauges = {one.name: min(one.panel.gauges) for one in build.panels} | dict(gauges or {})
    thickness = {**gauges, **{one.name: one.thickness for one in build.strips}}

    def at(place: Place) -> Place:
        return place.moved(thickness[place.beyond]) if place.beyond else place

    parts = {one.name: placed_panel(one, at(one.place), gauges[one.name]) for one in build.panels if one.place}
    parts |= {one.name: placed_strip(one, at(one.place), build.tools) for one in build.strips if one.place}
    rivets = lay_out(build.joints, parts)
    panels = {one.name: one.panel for one in build.panels}
    for joint in rivets:
        for name in joint.holes:
            if name in panels:
                panels[name] = with_rivets(panels[name], joint.support(name, parts))
    _reject_rows_through_beads(build, panels, gauges)
    strips = {}
    for strip in build.strips:
        rows = tuple(joint.support(strip.name, parts) for joint in rivets if strip.name in joint.holes)
        strips[strip.name] = strip_panel(strip, build.tools, rows)
    return FittedBuild(build, gauges, panels, strips, parts, rivets)


def with_rivets(panel: Panel, rivets: Support) -> Panel:
    """The panel with a joint's rivets in place of its own row along the same line, else besides its supports."""
    data = copy.deepcopy(panel.source)
    rows = data.setdefault("support", [])
    new = {
        "kind": "rivets", "path": [list(at) for at in rivets.at], "at": [list(at) for at in rivets.at],
        "diameter": rivets.diameter, "onto": rivets.onto,
    }  # fmt: skip
    same = same_row(panel, rivets)
    if same is None:
        rows.append({**new, "in_plane": rivets.in_plane})
    else:
        kept = {key: rows[same][key] for key in ("hold", "in_plane", "strength", "stiffness") if key in rows[same]}
        rows[same] = {**new, **kept}
    return panel_from_dict(data, Path())


def same_row(panel: Panel, rivets: Support) -> int | None:
    """Position of the panel's own row of rivets along the line of a joint's rivets; None if it has none."""
    line = LineString(rivets.at)
    for position, support in enumerate(panel.supports):
        if support.kind == "rivets" and support.path:
            along = line.intersection(LineString(support.path).buffer(SAME_ROW)).length
            if along >= SAME_SHARE * line.length:
                return position
    return None


def _reject_rows_through_beads(build: WholeBuild, panels: Mapping[str, Panel], gauges: Mapping[str, float]) -> None:
    """Raise InputError where rivets of a joint come too near a bead or a hole that a panel file has."""
    faults = []
    for part in build.panels:
        before = part.panel
        after = panels[part.name]
        if after is before or not (before.beads or before.holes):
            continue
        known = {str(one) for one in audit(before, before.layout(gauges[part.name]))}
        for one in audit(after, after.layout(gauges[part.name])):
            if str(one) not in known or RIVET_ROW in one.what:
                faults.append(Fault(f"{part.name}: {one.where}", f"with the rivets of its joints: {one.what}", CURE))
    if faults:
        raise InputError(faults)


RIVET_ROW = "rivet row"  # as `shop.clearance` names it
CURE = "move the bead or hole away from the row, or the row from it"
