"""Panels of a build with their neighbours as springs: what a search of each panel takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from stiffen.analysis.supports import BUILD
from stiffen.assembly.designs import Design, layout_of_member
from stiffen.assembly.fitted_build import FittedBuild, fitted_build
from stiffen.assembly.records import WholeBuild
from stiffen.model.layout import Layout
from stiffen.model.panel import Neighbours, Panel

from .condensed import Condensation, condensation
from .joining import joined_model
from .parts import joint_supports

MESH_LEVEL = "quick"  # of the neighbours


def asks_for_build(fitted: FittedBuild, name: str) -> bool:
    """True if rivets of a joint through a panel are to hold it as the build does."""
    return name in fitted.parts and any(one.in_plane == BUILD for one in joint_supports(fitted, name))


def on_neighbours(fitted: FittedBuild, condensed: Condensation, name: str, panel: Panel | None = None) -> Panel:
    """The panel with its neighbours as springs at the rivets of all its joints, whatever their own `in_plane`.

    panel: as in `fitted` unless given, with the same rivets within some tenths of a mm.  The springs are those of the
    layouts and gauges in `condensed`: exact for small deflections of the neighbours, whose mass is left out.
    """
    panel = panel or fitted.panels[name]
    part = condensed.model.parts[name]
    joints = [place for place, one in enumerate(fitted.panels[name].supports) if one in joint_supports(fitted, name)]
    centres = np.array([at for place in joints for at in panel.supports[place].fasteners()])
    places, nodes = [], []
    for joint in fitted.rivets:
        if name in joint.holes:
            for hole, node in zip(joint.holes[name], part.rivets[joint.number], strict=True):
                x, y = centres[np.linalg.norm(centres - hole, axis=1).argmin()]
                places.append((float(x), float(y)))
                nodes.append(int(node))
    springs = condensed.springs(name, condensed.neighbours(name))
    dofs = (6 * np.array(nodes)[:, None] + np.arange(6)).ravel()
    supports = tuple(
        replace(one, in_plane=BUILD, slip=None) if place in joints else one for place, one in enumerate(panel.supports)
    )
    stiffness = springs[dofs][:, dofs].toarray()
    return replace(panel, supports=supports, neighbours=Neighbours(tuple(places), stiffness))


@dataclass(frozen=True, eq=False)
class PanelsOnNeighbours:
    """The designs of a build on their neighbours, for those that ask for it; the others as they are."""

    build: WholeBuild
    designs: tuple[Design, ...]
    _condensed: dict = field(default_factory=dict)

    def asking(self, design: Design) -> bool:
        """True if the design is to be held as the build holds it."""
        return asks_for_build(self._fitted({}), design.name)

    def at_gauge(self, design: Design, gauge: float | None) -> Panel:
        """The design's panel beside neighbours as in their files, all at one gauge; None: each its thinnest."""
        if not self.asking(design):
            return design.panel
        gauges = {} if gauge is None else {one.name: gauge for one in self.build.panels if gauge in one.panel.gauges}
        fitted = self._fitted(gauges)
        if gauge not in self._condensed:
            self._condensed[gauge] = condensation(joined_model(fitted, mesh_level=MESH_LEVEL).steadied()[0])
        return on_neighbours(fitted, self._condensed[gauge], design.name, design.panel)

    def beside(self, design: Design, layouts: Mapping[str, Layout]) -> Panel:
        """The design's panel beside neighbours with layouts, by design; those without one are as in their files."""
        fitted, condensed = self._with_layouts(layouts)
        return on_neighbours(fitted, condensed, design.name, design.panel)

    def member_beside(self, name: str, layouts: Mapping[str, Layout]) -> Panel:
        """A panel of the build as it is built, beside neighbours with layouts, by design."""
        fitted, condensed = self._with_layouts(layouts)
        return on_neighbours(fitted, condensed, name)

    def _with_layouts(self, layouts: Mapping[str, Layout]) -> tuple[FittedBuild, Condensation]:
        every = {
            name: layout_of_member(one.panel, layouts[one.name], mirrored)
            for one in self.designs
            if one.name in layouts
            for name, mirrored in one.members
        }
        fitted = self._fitted({name: layout.gauge for name, layout in every.items()})
        whole, _ = joined_model(fitted, every, MESH_LEVEL).steadied()
        return fitted, condensation(whole)

    def _fitted(self, gauges: Mapping[str, float]) -> FittedBuild:
        key = tuple(sorted(gauges.items()))
        if key not in self._condensed:
            self._condensed[key] = fitted_build(self.build, gauges)
        return self._condensed[key]
