"""Comparison of two load-deflection curves: the loads at which they cross, and a sentence on which is stiffer.

A curve is a pair of (k,) arrays that starts at rest: loads, in the same unit for both curves, and largest deflections,
mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CurvePoints = tuple[np.ndarray, np.ndarray]

EQUAL_TOLERANCE = 1e-6  # relative difference of deflection below which two curves count as equal


@dataclass(frozen=True)
class Crossing:
    """Load and deflection (mm) at which two curves cross.  stiffer_above: 0 or 1, the curve stiffer at higher loads."""

    load: float
    deflection: float
    stiffer_above: int


def find_crossings(curve_a: CurvePoints, curve_b: CurvePoints) -> tuple[Crossing, ...]:
    """All loads at which the two curves cross, in rising order.  Their common start at zero load does not count.

    The points of a curve are joined by straight lines.  Both curves are taken under load control: at a snap-through the
    deflection jumps.  Crossings are sought up to the end of the shorter curve.  Raises ValueError for a curve without a
    load above its first.
    """
    a, b = load_controlled_curve(*curve_a), load_controlled_curve(*curve_b)
    loads = _shared_loads(a[0], b[0])
    gap = np.interp(loads, *a) - np.interp(loads, *b)
    gap[np.abs(gap) <= EQUAL_TOLERANCE * np.interp(loads, *a)] = 0.0
    crossings = []
    before = None  # index of the last load at which the curves differ
    for here in np.flatnonzero(gap):
        if before is not None and gap[before] * gap[here] < 0:
            load = loads[before + 1]  # the first load at which the curves touch
            if here == before + 1:  # they cross between two neighbouring loads
                load = loads[before] + (loads[here] - loads[before]) * gap[before] / (gap[before] - gap[here])
            crossings.append(Crossing(float(load), float(np.interp(load, *a)), int(gap[here] > 0)))
        before = here
    return tuple(crossings)


def load_controlled_curve(loads: np.ndarray, deflections: np.ndarray) -> CurvePoints:
    """The curve under load control: rising loads, and a jump at the load where a snap-through starts.

    An equilibrium path that turns back to lower loads is left at its peak load and joined again where it regains that
    load; the part between is skipped.  Raises ValueError for a curve without a load above its first.
    """
    loads, deflections = np.asarray(loads, float), np.asarray(deflections, float)
    if len(loads) < 2 or loads.max() <= loads[0]:
        raise ValueError("a curve needs a load above the one it starts from")
    up_p, up_w = [loads[0]], [deflections[0]]
    for i in range(1, len(loads)):
        peak = up_p[-1]
        if loads[i] <= peak:
            continue
        if loads[i - 1] < peak:  # the path regains its peak load: the jump
            fraction = (peak - loads[i - 1]) / (loads[i] - loads[i - 1])
            up_p.append(np.nextafter(peak, np.inf))
            up_w.append(deflections[i - 1] + fraction * (deflections[i] - deflections[i - 1]))
        if loads[i] > up_p[-1]:
            up_p.append(loads[i])
            up_w.append(deflections[i])
    return np.array(up_p), np.array(up_w)


def describe_crossing(
    titles: tuple[str, str], curves: tuple[CurvePoints, CurvePoints], unit: str = "times the load"
) -> str:
    """Where the curves cross and which one is stiffer, in one or two sentences.  unit: printed after each load."""
    a, b = (load_controlled_curve(*curve) for curve in curves)
    end = _shared_loads(a[0], b[0])[-1]
    crossings = find_crossings(*curves)
    if crossings:
        parts = [f"The curves cross at {load_text(one.load)} {unit} ({one.deflection:.2g} mm)" for one in crossings[:1]]
        parts += [f"and again at {load_text(one.load)} {unit}" for one in crossings[1:]]
        below, above = titles[1 - crossings[0].stiffer_above], titles[crossings[-1].stiffer_above]
        last = "above" if len(crossings) == 1 else "at the end"
        return f"{', '.join(parts)}. Stiffer below: {below}; stiffer {last}: {above}."
    w = [float(np.interp(end, *curve)) for curve in (a, b)]
    if abs(w[0] - w[1]) <= EQUAL_TOLERANCE * max(w):
        return f"Both curves are the same up to {load_text(end)} {unit}."
    stiffer = titles[int(w[1] < w[0])]
    return (
        f"The curves do not cross up to {load_text(end)} {unit}. Stiffer throughout: {stiffer}, "
        f"{min(w):.3g} mm against {max(w):.3g} mm at the end."
    )


def load_text(load: float) -> str:
    """A load with three figures, or in whole units from 1000 on."""
    return f"{load:.3g}" if load < 999.5 else f"{load:.0f}"


def _shared_loads(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """All loads at which either curve has a point, within the range of both."""
    loads = np.union1d(a, b)
    return loads[(loads >= max(a[0], b[0])) & (loads <= min(a[-1], b[-1]))]
