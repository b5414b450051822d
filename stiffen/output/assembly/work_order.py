"""Order of work of a whole build: beads before folds before joints, holes drilled with the mate."""

from __future__ import annotations

from stiffen.assembly.fitted_build import FittedBuild
from stiffen.assembly.joint_rivets import JointRivets
from stiffen.shop.rivets import rivet_hole

from .build_sheet import BuildSheet


def work_order(sheet: BuildSheet) -> list[str]:
    """Steps of the whole build: all blanks, then beads before folds before joints, holes drilled with the mate."""
    fitted = sheet.fitted
    build, layouts = fitted.build, {name: one.layout for name, one in sheet.built.items()}
    beaded = [name for name, layout in layouts.items() if layout.beads]
    flared = [name for name, layout in layouts.items() if layout.holes]
    folded = [name for name, panel in fitted.panels.items() if panel.is_folded]
    steps = ["Cut all blanks from the sheets as planned, rough where beads are rolled; deburr them, mark each by name."]
    if beaded:
        dies = list(dict.fromkeys(bead.die.name for layout in layouts.values() for bead in layout.beads))
        steps.append(
            f"Roll the beads of {', '.join(beaded)}, all with one pair of rolls before the next: {', '.join(dies)}."
        )
    if flared:
        steps.append(f"Cut the pilot holes and flare them: {', '.join(flared)}.")
    if beaded:
        steps.append(f"Trim the rolled panels to their outlines: {', '.join(beaded)}.")
    if folded or build.strips:
        steps.append(f"Fold {', '.join([*folded, *(strip.name for strip in build.strips)])}.")
    curved = [strip.name for strip in build.strips if strip.heel_radius is not None]
    if curved:
        steps.append(f"Curve {', '.join(curved)}; try each against the edge that it follows.")
    if fitted.rivets:
        steps.append(
            "Joints, one after the other as below: drill the holes in the first part by its template; clamp it to "
            "the others; drill through with the mate, from both ends of the row, a pin in every fourth hole. Set no "
            "rivet yet."
        )
    for joint in _joint_order(fitted):
        hole = f"{rivet_hole(joint.joint.diameter):g} mm"
        through = " and ".join(joint.joint.mates)
        steps.append(f"Joint {joint.number}: {joint.joint.part} to {through}, {joint.count} holes of {hole}.")
    if fitted.rivets:
        steps.append("See that the whole build closes and stands square while it is only pinned.")
        steps.append("Take it apart, deburr all holes, clean; assemble it again with pins.")
        steps.append("Set the rivets, joint by joint in the same order, each row from its middle outward.")
    extras = [*(f"{one.copies} x {one.what}" if one.copies > 1 else one.what for one in build.extras)]
    if extras or any(part.panel.trims for part in build.panels):
        steps.append(f"Fit the edging{' and ' + ', '.join(extras) if extras else ''}.")
    return [*steps, f"Weigh it: {sheet.mass.total:.2f} kg expected. Proof-load it before anyone relies on it."]


def _joint_order(fitted: FittedBuild) -> list[JointRivets]:
    """Joints so that each one, as far as it can, goes on from parts that are joined already."""
    left, order = list(fitted.rivets), []
    done: set[str] = set()
    while left:
        following = next((one for one in left if done & set(one.holes)), left[0])
        left.remove(following)
        order.append(following)
        done |= set(following.holes)
    return order
