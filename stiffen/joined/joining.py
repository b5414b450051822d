"""The joined model of a build: its parts meshed, and tied where their rivets are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from stiffen.analysis.supports import FREE
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Layout

from .joined_model import JoinedModel
from .parts import ShellPart, panel_part, strip_part
from .ties import Tie, fastener_stiffness

LEAST_SIZE_SHARE = 0.5  # size of a small panel's elements over the largest panel's, at least
SMALL_PANEL_COARSER = 2.0  # but at most so much larger than on a mesh of its own


def joined_model(
    fitted: FittedBuild,
    layouts: Mapping[str, Layout] | None = None,
    mesh_level: str = "normal",
    assumed: str = FREE,
    rigid: bool = False,
) -> JoinedModel:
    """The joined model of the parts of a build that have a place.

    layouts: of panels, by name; those of the panel files unless given.  assumed: how supports of unknown restraint hold
    in the plane.  rigid: ties as good as rigid.  Raises MeshError for a panel that cannot be meshed.
    """
    layouts = layouts or {}
    parts = {}
    sides = {one.name: background_side(one.panel.region.area, mesh_level) for one in fitted.build.panels if one.place}
    for name, side in sides.items():
        size = min(SMALL_PANEL_COARSER * side, max(side, LEAST_SIZE_SHARE * max(sides.values())))
        parts[name] = panel_part(fitted, name, layouts.get(name), mesh_level, size if size > side else None, assumed)
    for strip in fitted.build.strips:
        if strip.place:
            parts[strip.name] = strip_part(fitted, strip.name, mesh_level)
    return JoinedModel(parts, build_ties(fitted, parts, rigid))


def build_ties(fitted: FittedBuild, parts: Mapping[str, ShellPart], rigid: bool = False) -> tuple[Tie, ...]:
    """The ties of all joints: each rivet ties the sheets that lie on each other."""
    found = []
    for joint in fitted.rivets:
        for rivet, (centre, axis) in enumerate(zip(joint.centres, joint.axes, strict=True)):
            places = {name: parts[name].shell.nodes[parts[name].rivets[joint.number][rivet]] for name in joint.holes}
            for a, b in pairwise(_along_axis(places, centre, axis)):
                first, second = parts[a], parts[b]
                stiffness = fastener_stiffness(
                    joint.joint.diameter,
                    (first.thickness, first.material.E),
                    (second.thickness, second.material.E),
                )
                nodes = int(first.rivets[joint.number][rivet]), int(second.rivets[joint.number][rivet])
                share = first.thickness / (first.thickness + second.thickness)
                at = places[a] + share * (places[b] - places[a])
                found.append(Tie(joint.number, rivet, (a, b), nodes, at, axis, stiffness.rigid if rigid else stiffness))
    return tuple(found)


def _along_axis(places: Mapping[str, np.ndarray], centre: np.ndarray, axis: np.ndarray) -> Sequence[str]:
    """Names of the parts in the order in which a rivet goes through them."""
    return sorted(places, key=lambda name: float((places[name] - centre) @ axis))
