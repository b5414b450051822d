"""The answer of a proof in words: rows of tables and sentences, which page, report and screen share."""

from __future__ import annotations

from collections.abc import Iterator

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.thickness_tolerance import thickness_tolerance
from stiffen.output.report.sections import Table
from stiffen.proof.answer import AS_COMPUTED, Comparison, Consequence
from stiffen.proof.builds import DEPTH_RATIOS, dies_used, stated_holds
from stiffen.proof.explanations import DEPTH, THICKNESS, THICKNESS_RATIOS, Explanation
from stiffen.proof.proof import Proof

MAX_MISSES_TOLD = 3


def number(value: float, unit: str) -> str:
    """A deflection or a frequency with the digits that it deserves."""
    if unit == "Hz":
        return f"{value:.1f}" if value < 100 else f"{value:.0f}"
    return f"{value:.2f}" if value < 10 else f"{value:.1f}"


def comparison_table(comparisons: tuple[Comparison, ...]) -> Table:
    """What was measured beside what was computed."""
    rows = tuple(
        (
            one.name,
            f"{number(one.measured, one.unit)} {one.unit}",
            f"{number(one.value, one.unit)} {one.unit}",
            f"{number(one.low, one.unit)} to {number(one.high, one.unit)}",
            f"{100 * one.deviation:+.0f} %",
            one.state,
        )
        for one in comparisons
    )
    return Table(("where", "measured", "computed", "expected range", "off by", "the panel is"), rows, (1, 2, 3, 4))


def state_sentence(proof: Proof) -> str:
    """The answer in one sentence; "" if nothing was compared."""
    if proof.answer is None:
        return ""
    parts = [
        word for word, value in (("thickness", proof.measured.thickness), ("depth", proof.measured.depths)) if value
    ]
    as_measured = f" with the {' and '.join(parts)} that you measured" if parts else ""
    if proof.answer.state == AS_COMPUTED:
        return f"The panel is as computed{as_measured}: every reading, with its error, lies in the range left open."
    return f"The panel is {proof.answer.state} than computed{as_measured}, by more than the range that is left open."


def explanation_words(panel: Panel, layout: Layout, one: Explanation) -> str:
    """One explanation in words, with the values within which it fits."""
    stated = one.build.hold in stated_holds(panel)
    hold = one.build.hold.label
    if one.varied == THICKNESS:
        return f"{_thickness_words(panel, layout, one)}; {hold}"
    if one.varied == DEPTH:
        depths = dict(one.build.depths)
        dies = [die for die in dies_used(layout) if die.name in depths]
        told = ", ".join(
            f"{die.name} {depths[die.name]:.1f} mm ({_span(one, die.depth, DEPTH_RATIOS)}) instead of {die.depth:g}"
            for die in dies
        )
        return f"beads shallower: {told or 'none'}; {hold}"
    return hold if stated else f"only the hold differs: {hold}"


def _thickness_words(panel: Panel, layout: Layout, one: Explanation) -> str:
    t, tolerance = one.value or 0.0, thickness_tolerance(panel.material, layout.gauge)
    outside = ""
    if abs(t - layout.gauge) > tolerance.mm + 1e-9:
        outside = f", which is outside {tolerance.standard} ({tolerance.mm:g} mm)"
    return f"sheet {t:.2f} mm ({_span(one, 1.0, [layout.gauge * r for r in THICKNESS_RATIOS])}){outside}"


def _span(one: Explanation, unit: float, grid: object) -> str:
    """The values that fit, in words; a span that ends where the computation ends is open there."""
    ends = [float(value) for value in grid]  # type: ignore[attr-defined]
    low, high = one.low or 0.0, one.high or 0.0
    digits = 2 if unit == 1.0 else 1
    if low <= ends[0] + 1e-6:
        return f"{high * unit:.{digits}f} or less"
    if high >= ends[-1] - 1e-6 and unit == 1.0:
        return f"{low * unit:.{digits}f} or more"
    return f"{low * unit:.{digits}f} to {high * unit:.{digits}f}"


def explanation_lines(proof: Proof) -> Iterator[str]:
    """What fits, what does not, and what that leaves to measure."""
    answer = proof.answer
    assert answer is not None  # nothing was measured otherwise
    fitting = answer.fitting
    if fitting:
        each = "One explanation fits" if len(fitting) == 1 else f"Each of {len(fitting)} explanations by itself fits"
        yield f"{each} every reading within its error, computed with the shell:"
        for place, one in enumerate(fitting, 1):
            yield f"{place}.\t{explanation_words(proof.panel, proof.layout, one)}."
    else:
        yield "No single explanation fits every reading within its error. The nearest, with the error they miss by:"
        for one in answer.explanations[:MAX_MISSES_TOLD]:
            words = explanation_words(proof.panel, proof.layout, one)
            yield f"{words}: off by {one.misfit:.1f} times the error."
    missing = unmeasured(proof)
    if missing and len(fitting) != 1:
        yield f"Measure {missing} to tell them apart."


def unmeasured(proof: Proof) -> str:
    """What was not measured of thickness and depths, in words; "" if all was."""
    parts = [] if proof.measured.thickness else ["the thickness"]
    dies = [die.name for die in dies_used(proof.layout) if die.name not in proof.measured.depths]
    return " and ".join([*parts, *([f"the depth of the {', '.join(dies)} beads"] if dies else [])])


def demand_table(consequences: tuple[Consequence, ...]) -> Table | None:
    """The demands under each explanation that fits; None if none could be computed."""
    told = [(place, one) for place, one in enumerate(consequences, 1) if one.demands]
    if not told:
        return None
    rows = tuple(
        (
            demand.label,
            f"{demand.limit:g} {demand.unit}",
            *(_value_text(one, k) for _, one in told),
        )
        for k, demand in enumerate(told[0][1].demands)
    )
    return Table(("demand", "limit", *(f"as {place}." for place, _ in told)), rows, tuple(range(1, 2 + len(told))))


def _value_text(one: Consequence, k: int) -> str:
    demand = one.demands[k]
    return f"{demand.value:.3g}{'' if demand.met else ' NOT MET'}"


def as_built(proof: Proof) -> dict:
    """What the report says of the finished panel, as plain texts: head and rows of a table, and lines above it."""
    if proof.answer is None:
        return {}
    table = comparison_table(proof.answer.comparisons)
    lines = [state_sentence(proof), *(line.replace("\t", " ") for line in explanation_lines(proof))]
    if proof.answer.consequences:
        lines.append(demand_sentence(proof.answer.consequences))
    told = (
        [f"thickness {', '.join(f'{mm:g}' for mm in proof.measured.thickness)} mm"] if proof.measured.thickness else []
    )
    told += [f"{die} {', '.join(f'{mm:g}' for mm in values)} mm deep" for die, values in proof.measured.depths.items()]
    return {
        "head": list(table.head),
        "rows": [list(row) for row in table.rows],
        "lines": [*lines, *([f"Measured: {'; '.join(told)}."] if told else [])],
    }


def demand_sentence(consequences: tuple[Consequence, ...]) -> str:
    """What the explanations that fit mean for the demands, in one sentence."""
    told = [one for one in consequences if one.demands]
    if not told:
        return "What this means for the demands is not known: the panel built that way could not be computed."
    if all(one.met for one in told):
        return "The demands are met under every explanation that fits (quick mesh)."
    if not any(one.met for one in told):
        return "The demands are NOT met under any explanation that fits (quick mesh)."
    return "The demands are met under some of the explanations that fit and not under others (quick mesh)."
