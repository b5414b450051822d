"""Load-deflection curves set against each other: where they cross, and what that means, in words.

A curve is a pair of (k,) arrays from rest on: loads (in any one unit) and largest deflections, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CurvePoints = tuple[np.ndarray, np.ndarray]

EQUAL_TOLERANCE = 1e-6  # share of the deflection under which two curves count as one


@dataclass(frozen=True)
class Crossing:
    """Load and deflection (mm) at which two curves cross, and which of the two gives less above: 0 or 1."""

    load: float
    deflection: float
    stiffer_above: int


def find_crossings(curve_a: CurvePoints, curve_b: CurvePoints) -> tuple[Crossing, ...]:
    """Every load at which the two curves cross, rising, rest left out; straight lines between the points of a curve.

    Both are taken as the load is raised: where a sheet snaps through, its deflection jumps.  Looks as far as the
    shorter curve goes.  Raises ValueError for a curve without a load above 0.
    """
    a, b = load_controlled_curve(*curve_a), load_controlled_curve(*curve_b)
    loads = _shared_loads(a[0], b[0])
    gap = np.interp(loads, *a) - np.interp(loads, *b)
    gap[np.abs(gap) <= EQUAL_TOLERANCE * np.interp(loads, *a)] = 0.0
    found = []
    before = None  # last place at which the curves were apart
    for here in np.flatnonzero(gap):
        if before is not None and gap[before] * gap[here] < 0:
            load = loads[before + 1]  # where they first touch, or between two points next to one another
            if here == before + 1:
                load = loads[before] + (loads[here] - loads[before]) * gap[before] / (gap[before] - gap[here])
            found.append(Crossing(float(load), float(np.interp(load, *a)), int(gap[here] > 0)))
        before = here
    return tuple(found)


def load_controlled_curve(loads: np.ndarray, deflections: np.ndarray) -> CurvePoints:
    """The curve as a growing load follows it: loads rising, a snap-through as a jump at the load where it starts.

    A path that turns back to lower loads is left at its peak and joined again where it regains that load; what lies
    between is skipped.  Raises ValueError for a curve without a load above 0.
    """
    loads, deflections = np.asarray(loads, float), np.asarray(deflections, float)
    if len(loads) < 2 or loads.max() <= loads[0]:
        raise ValueError("a curve needs a load above the one it starts from")
    up_p, up_w = [loads[0]], [deflections[0]]
    for i in range(1, len(loads)):
        peak = up_p[-1]
        if loads[i] <= peak:
            continue
        if loads[i - 1] < peak:  # comes back up through the peak: the jump
            share = (peak - loads[i - 1]) / (loads[i] - loads[i - 1])
            up_p.append(np.nextafter(peak, np.inf))
            up_w.append(deflections[i - 1] + share * (deflections[i] - deflections[i - 1]))
        if loads[i] > up_p[-1]:
            up_p.append(loads[i])
            up_w.append(deflections[i])
    return np.array(up_p), np.array(up_w)


def describe_crossing(
    titles: tuple[str, str], curves: tuple[CurvePoints, CurvePoints], unit: str = "of the load"
) -> str:
    """What the two curves say, in one or two sentences; `unit` follows the loads."""
    a, b = (load_controlled_curve(*curve) for curve in curves)
    end = _shared_loads(a[0], b[0])[-1]
    found = find_crossings(*curves)
    if found:
        parts = [f"The curves cross at {one.load:.3g} {unit} ({one.deflection:.2g} mm)" for one in found[:1]]
        parts += [f"and again at {one.load:.3g} {unit}" for one in found[1:]]
        below, above = titles[1 - found[0].stiffer_above], titles[found[-1].stiffer_above]
        last = "above" if len(found) == 1 else "at the end"
        return f"{', '.join(parts)}. Stiffer below: {below}; stiffer {last}: {above}."
    w = [float(np.interp(end, *curve)) for curve in (a, b)]
    if abs(w[0] - w[1]) <= EQUAL_TOLERANCE * max(w):
        return f"Both give the same up to {end:.3g} {unit}."
    stiffer = titles[int(w[1] < w[0])]
    return (
        f"The curves do not cross up to {end:.3g} {unit}. Stiffer all the way: {stiffer}, "
        f"{min(w):.3g} against {max(w):.3g} mm there."
    )


def _shared_loads(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """All loads at which either curve has a point, over the range they share."""
    loads = np.union1d(a, b)
    return loads[(loads >= max(a[0], b[0])) & (loads <= min(a[-1], b[-1]))]
