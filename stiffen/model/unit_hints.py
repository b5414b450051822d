"""Hints on values of a panel that look as if they were given in another unit.

The thresholds are common practice without a source: no panel made by hand meets such a value, and the same number in
another usual unit makes sense.  A hint never changes a value and never refuses one.
"""

from __future__ import annotations

from collections.abc import Iterator

from .panel import Demand, EdgeTrim, Load, Panel, PointMass

MAX_PRESSURE = 0.05  # MPa; 50 kPa is the weight of five tonnes on a square metre
MIN_PATCH_FORCE = 1.0  # N; less than the weight of 102 g
MAX_LINE_FORCE = 50.0  # N/mm; five tonnes on a metre
MAX_GRAVITIES = 9.0  # standard gravities; 9.81 is one of them in m/s2
MIN_DEFLECTION_LIMIT = 0.01  # mm
MAX_FREQUENCY_LIMIT = 1000.0  # Hz
MIN_PUSH, MAX_PUSH = 0.5, 2000.0  # N
MAX_POINT_MASS = 200.0  # kg
MAX_TRIM_MASS = 10.0  # kg per metre


def unit_hints(panel: Panel) -> tuple[str, ...]:
    """One sentence for each value that looks like one in another unit, with the value that may have been meant."""
    return (
        *(f"load[{n}].{hint}" for n, load in enumerate(panel.loads, 1) for hint in _load_hints(load)),
        *(f"demand[{n}].{hint}" for n, demand in enumerate(panel.demands, 1) for hint in _demand_hints(demand)),
        *(f"mass[{n}].{hint}" for n, mass in enumerate(panel.masses, 1) for hint in _mass_hints(mass)),
        *(f"trim[{n}].{hint}" for n, trim in enumerate(panel.trims, 1) for hint in _trim_hints(trim)),
    )


def _load_hints(load: Load) -> Iterator[str]:
    value = load.value
    if load.kind == "pressure" and abs(value) > MAX_PRESSURE:
        tonnes = abs(value) * 1e6 / 9.80665 / 1000  # on a square metre
        yield (
            f"value: {value:g} MPa is {1000 * value:g} kPa, {tonnes:.0f} t on a square metre; did you mean {value:g} "
            f"kPa = {value / 1000:g}?"
        )
    if load.kind == "patch" and 0 < abs(value) < MIN_PATCH_FORCE:
        grams = abs(value) / 9.80665 * 1000
        yield f"value: {value:g} N is the weight of {grams:.0f} g; did you mean {value:g} kN = {1000 * value:g}?"
    if load.kind == "line" and abs(value) > MAX_LINE_FORCE:
        yield f"value: {value:g} N/mm is {value:g} kN on a metre; did you mean {value:g} N/m = {value / 1000:g}?"
    if load.kind == "inertia" and max(map(abs, load.g)) > MAX_GRAVITIES:
        most = max(load.g, key=abs)
        yield f"g: {most:g} times the weight; did you mean {most:g} m/s2 = {most / 9.80665:.3g}?"


def _demand_hints(demand: Demand) -> Iterator[str]:
    limit = demand.limit
    if demand.at_most and limit < MIN_DEFLECTION_LIMIT:
        yield f"limit: {limit:g} mm cannot be measured at the bench; did you mean {limit:g} m = {1000 * limit:g}?"
    if demand.kind == "frequency" and limit > MAX_FREQUENCY_LIMIT:
        yield f"limit: {limit:g} Hz is above what shakes a panel; did you mean {limit:g} a minute = {limit / 60:.3g}?"
    if demand.force is not None and demand.force < MIN_PUSH:
        yield f"force: a push of {demand.force:g} N; did you mean {demand.force:g} kN = {1000 * demand.force:g}?"
    if demand.force is not None and demand.force > MAX_PUSH:
        yield f"force: a push of {demand.force:g} N is the weight of {demand.force / 9.80665:.0f} kg; is it in N?"


def _mass_hints(mass: PointMass) -> Iterator[str]:
    if mass.kg > MAX_POINT_MASS:
        yield f"kg: {mass.kg:g} kg at one point of a thin sheet; did you mean {mass.kg:g} g = {mass.kg / 1000:g}?"


def _trim_hints(trim: EdgeTrim) -> Iterator[str]:
    if trim.kg_per_metre > MAX_TRIM_MASS:
        grams = f"{trim.kg_per_metre:g} g per metre = {trim.kg_per_metre / 1000:g}"
        yield f"kg_per_metre: {trim.kg_per_metre:g} kg on a metre of edge; did you mean {grams}?"
