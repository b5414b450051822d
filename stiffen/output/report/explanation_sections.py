"""Sections of card and report: what each part of a layout adds, what would help, what the other face would save."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stiffen.model.explanation import SHELL, SURROGATE, SURROGATE_AND_SHELL, Estimate, Explanation, OtherFace, PartWorth
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.output.drawing.bench_view import number_ranges

from .sections import Table

WHAT_EACH_ADDS, WHAT_WOULD_HELP, THE_OTHER_FACE = "WHAT EACH BEAD ADDS", "WHAT WOULD HELP", "THE OTHER FACE"
MAX_HEAD_CHARS = 62  # of the demands' labels; where they need more, only the demand nearest to its limit has a column
SAME_SHARE = 0.03  # difference of utilisation up to which both faces count as equal
MODEL_TEXT = {SHELL: "shell, quick mesh"}
PARTS_BY = {
    SURROGATE: "surrogate",
    SHELL: "shell's quick mesh",
    SURROGATE_AND_SHELL: "surrogate (stress and buckling: by the shell's quick mesh)",
}


def part_section(panel: Panel, layout: Layout, explanation: Explanation | None) -> list[str | Table]:
    """What each bead and each row of holes adds, as a table; beads have the numbers of `layout`."""
    if explanation is None or not explanation.parts:
        return []
    labels = [f"{demand.label}, {demand.unit}" for demand in panel.demands]
    shown = list(range(len(labels)))
    if sum(map(len, labels)) > MAX_HEAD_CHARS:
        shown = [_governing(panel, explanation.here)]
    saves = any(part.holes for part in explanation.parts)
    rows = [
        (
            _part_name(layout, part),
            *(_figures(part.without.values[place]) for place in shown),
            _share_text(part.share),
            *([f"{1000 * part.mass_kg:.0f}" if part.holes else "-"] if saves else []),
            f"{part.minutes:.0f}",
        )
        for part in explanation.parts
    ]
    here = (_figures(explanation.here.values[place]) for place in shown)
    present = ("as it is", *here, "", *([""] if saves else []), "")
    head = ("without", *(labels[place] for place in shown), "adds", *(["saves g"] if saves else []), "costs min")
    model = PARTS_BY[explanation.parts[0].without.model]
    note = (
        f"The demands without this part, by the {model} set to the shell's values of the whole layout. Adds: by how "
        "much the demand nearest to its limit would get worse. Costs: minutes at the bench that it takes, with the die "
        "change and the trial strip where no other part needs them."
    )
    return [
        Table(head, (present, *rows), tuple(range(1, len(head)))),
        f"{note} Saves: grams that the holes take away." if saves else note,
    ]


def help_section(panel: Panel, explanation: Explanation | None) -> list[str | Table]:
    """The changes that would help, numbered, and what each would give."""
    if explanation is None or not explanation.changes:
        return []
    lines: list[str | Table] = []
    for number, change in enumerate(explanation.changes, 1):
        mass = f", {abs(change.mass_kg):.3f} kg {'more' if change.mass_kg > 0 else 'less'}" if change.mass_kg else ""
        what = change.what[0].upper() + change.what[1:]
        lines.append(f"{number}.\t{what}: {estimate_text(panel, change.estimate)}{mass}.")
    return [*lines, "Each for itself, with the beads and holes of this layout; search again once you have chosen."]


def face_section(panel: Panel, explanation: Explanation | None) -> list[str | Table]:
    """What beads on the other face would have done."""
    other = explanation.other_face if explanation is not None else None
    if explanation is None or other is None or (other.same_gauge is None and other.estimate is None):
        return []
    sentences = _face_sentences(panel, explanation.here, other)
    return [f"Beads are asked for on the {panel.bead_side} face. {' '.join(sentences)}"]


def _face_sentences(panel: Panel, here: Estimate, other: OtherFace) -> list[str]:
    out = []
    if other.same_gauge is not None:
        if abs(other.same_gauge.utilisation - here.utilisation) <= SAME_SHARE * here.utilisation:
            out.append(f"The same beads proud {other.face} would do as well, within {100 * SAME_SHARE:.0f} %.")
        else:
            out.append(f"The same beads proud {other.face}: {estimate_text(panel, other.same_gauge)}.")
    if other.gauge is not None and other.estimate is not None:
        sheet = f"On the {other.face} face {other.gauge:g} mm"
        if other.estimate.met:
            out.append(f"{sheet} would do, {other.saved_kg:.3f} kg less ({_model_text(other.estimate)}).")
        else:
            miss = f"the best layout tried there misses by {_miss_text(other.estimate)}"
            out.append(f"{sheet} would not do either: {miss} ({_model_text(other.estimate)}).")
    return out


def estimate_text(panel: Panel, estimate: Estimate) -> str:
    """The demand nearest to its limit (or farthest beyond), whether all are met, and the model that says so."""
    if not math.isfinite(estimate.utilisation):
        return f"no equilibrium found ({_model_text(estimate)})"
    place = _governing(panel, estimate)
    demand = panel.demands[place]
    value = f"{demand.label} {_figures(estimate.values[place])} {demand.unit}, limit {demand.limit:g}"
    state = "all demands met" if estimate.met else f"not met, by {_miss_text(estimate)}"
    return f"{value}; {state} ({_model_text(estimate)})"


def _model_text(estimate: Estimate) -> str:
    return MODEL_TEXT.get(estimate.model, estimate.model)


def _governing(panel: Panel, estimate: Estimate) -> int:
    """Place of the demand with the largest utilisation."""
    used = [
        demand.utilisation(value) if math.isfinite(value) else math.inf
        for demand, value in zip(panel.demands, estimate.values, strict=True)
    ]
    return used.index(max(used))


def _part_name(layout: Layout, part: PartWorth) -> str:
    """bead 3, beads 7-10, H1-H4."""
    beads = [("", number) for number, bead in enumerate(layout.beads, 1) if bead in part.beads]
    holes = [("H", number) for number, hole in enumerate(layout.holes, 1) if hole in part.holes]
    noun = "bead " if len(beads) == 1 else "beads " if beads else ""
    return noun + number_ranges([*beads, *holes])


def _share_text(share: float) -> str:
    if not math.isfinite(share) or share > 9.99:
        return "all"
    percent = round(100 * share)
    return f"{percent:+d} %" if percent else "0 %"


def _miss_text(estimate: Estimate) -> str:
    miss = 100 * (estimate.utilisation - 1)
    return f"{miss:.0f} %" if miss >= 1 else f"{miss:.1f} %"


def _figures(value: float) -> str:
    if not math.isfinite(value):
        return "none"
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def shade_of(explanation: Explanation | None, part: Bead | Hole) -> float | None:
    """How dark a bead or a hole is drawn, 0 ... 1: what it adds over the most that one part adds; None if unknown."""
    share = explanation.share_of(part) if explanation is not None else None
    if explanation is None or share is None:
        return None
    most = max((one.share for one in explanation.parts if math.isfinite(one.share)), default=0.0)
    if not math.isfinite(share):
        return 1.0
    return round(min(max(share, 0.0) / most, 1.0), 3) if most > 0 else 0.0


def worth_lines(layout: Layout, explanation: Explanation | None) -> Sequence[str]:
    """For the screen, in a line: what each part adds and the minutes it costs; beads have the numbers of `layout`."""
    if explanation is None or not explanation.parts:
        return []
    told = []
    for part in explanation.parts:
        adds = f"{1000 * part.mass_kg:.0f} g" if part.holes else _share_text(part.share)
        told.append(f"{_part_name(layout, part)} {adds} for {part.minutes:.0f} min")
    return [f"each part adds: {', '.join(told)}"]


def help_lines(panel: Panel, explanation: Explanation | None) -> Sequence[str]:
    """For the screen: what would help, and what the other face would save; nothing where there is neither."""
    if explanation is None:
        return []
    lines = [f"would help: {change.what}: {estimate_text(panel, change.estimate)}" for change in explanation.changes]
    other = explanation.other_face
    if other is not None and other.estimate is not None and other.estimate.met:
        lines += _face_sentences(panel, explanation.here, other)[-1:]
    return lines
