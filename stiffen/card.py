"""The shop card: what to buy, how to set the roller, what to do in which order, and what was found; plain text."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from shapely.geometry import Polygon

from . import bench
from .drawing import CAUTIONS, datum, marks, rough_outline
from .layout import Bead, Layout
from .panel import Panel
from .rules import audit, frame_side, reach
from .section import pull_in
from .verdict import LINEAR, NONLINEAR, UNDECIDED, DemandResult, Rival, Verdict

WIDTH = 100
GRAM = 0.001  # kg
NO_RIVAL = "no flat sheet in the rack meets the demands"
DEMAND_HEAD = ("demand", "limit", "found", "margin", "", "decided by", "mesh error", "w/t", "edges")
DECIDED = {LINEAR: "linear", NONLINEAR: "large defl.", UNDECIDED: "not decided"}


def card_text(
    panel: Panel, verdict: Verdict, rival: Rival | None = None, gauges: Sequence[tuple[float, str]] = ()
) -> str:
    """The card as text, lines of at most 100 characters.

    rival: the flat sheet to compare with.  gauges: (mm, one line) on every gauge that was looked at.
    """
    layout = verdict.layout
    parts = [
        _head(panel, verdict, rival),
        _sheet(panel, verdict, rival),
        _settings(panel, layout),
        _beads(panel, layout),
        _holes(panel, layout),
        _section("ORDER OF WORK", _numbered(bench.order_of_work(panel, layout))),
        _section("WHAT WAS ASKED, WHAT WAS FOUND", [*demand_table(verdict), *_model(verdict)]),
        _section("LOOK OUT", warning_lines(panel, verdict)),
        _section("OTHER SHEETS", [f"{gauge:g} mm: {why}" for gauge, why in gauges]),
        _minutes(panel, layout),
        _section("CAUTIONS", CAUTIONS),
    ]
    lines = [line for part in parts if part for line in (*part, "")]
    return "\n".join(wrapped for line in lines for wrapped in _wrap(line)).rstrip() + "\n"


def columns(head: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()) -> list[str]:
    """Rows under a head in even columns, two blanks between; `right` names the columns that stand at the right."""
    table = [tuple(head), *(tuple(row) for row in rows)]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]

    def line(row: tuple[str, ...]) -> str:
        cells = (
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    return [line(table[0]), "  ".join("-" * width for width in widths), *map(line, table[1:])]


def demand_rows(verdict: Verdict) -> list[tuple[str, ...]]:
    """Every demand as words under DEMAND_HEAD."""
    return [
        (
            _short(demand.label, 24),
            _limit(demand),
            _value(demand.value, demand.unit),
            _percent(demand.margin, sign=True),
            "met" if demand.met else "NOT MET",
            DECIDED.get(demand.decided_by, demand.decided_by),
            "-" if demand.error is None else _percent(demand.error),
            f"{demand.ratio_w_t:.2f}" if demand.ratio_w_t else "-",
            demand.in_plane,
        )
        for demand in verdict.demands
    ]


def demand_table(verdict: Verdict) -> list[str]:
    """Every demand with limit, value, margin, how far to believe it; then the values under each hold if they differ."""
    if not verdict.demands:
        return ["the panel file makes no demand"]
    lines = columns(DEMAND_HEAD, demand_rows(verdict), right=(1, 2, 3, 6, 7))
    for demand in verdict.demands:
        ends = {end: _value(value, demand.unit) for end, value in demand.by_hold.items()}
        if len(set(ends.values())) > 1:
            told = ", ".join(f"{end} {value}" for end, value in ends.items())
            lines.append(f"{_short(demand.label, 24)} with the edges in plane {told}: the worse counts")
    return lines


def warning_lines(panel: Panel, verdict: Verdict) -> list[str]:
    """Rules the layout does not keep, then what the judge and the bench have to say, each once."""
    broken = [f"rule not kept: {breach}" for breach in audit(panel, verdict.layout)]
    return list(dict.fromkeys((*broken, *verdict.warnings, *bench.warnings(panel, verdict.layout))))


def saving(verdict: Verdict, rival: Rival) -> str:
    """One phrase: how the mass stands against the flat sheet that does the same."""
    if rival.gauge_mm is None or rival.mass_kg is None:
        return NO_RIVAL if rival.verdicts else "flat sheets were not looked at"
    if not verdict.met:
        return f"the {rival.gauge_mm:g} mm flat sheet meets the demands with {kg(rival.mass_kg)}"
    less = rival.mass_kg - verdict.mass_kg
    flat = f"the {rival.gauge_mm:g} mm flat sheet that meets the demands ({kg(rival.mass_kg)})"
    if abs(less) < GRAM:
        flat_too = not (verdict.layout.beads or verdict.layout.holes)
        return "the lightest flat sheet of the rack that meets the demands" if flat_too else f"as heavy as {flat}"
    share = 100 * abs(less) / rival.mass_kg
    return f"{kg(abs(less))} ({share:.0f} %) {'lighter' if less > 0 else 'HEAVIER'} than {flat}"


def kg(mass: float) -> str:
    """A mass to the gram below 10 kg."""
    return f"{mass:.3f} kg" if mass < 10 else f"{mass:.2f} kg"


def _section(title: str, lines: Iterable[str]) -> list[str]:
    lines = list(lines)
    return [title, *(f"  {line}" for line in lines)] if lines else []


def _wrap(line: str) -> list[str]:
    """One line folded at 100 characters, the rest set in under its beginning."""
    inset = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, WIDTH, subsequent_indent=inset, break_on_hyphens=False) or [""]


def _numbered(steps: Iterable[str]) -> list[str]:
    return [f"{number:2}. {step}" for number, step in enumerate(steps, 1)]


def _head(panel: Panel, verdict: Verdict, rival: Rival | None) -> list[str]:
    title = f"{panel.name.upper()}: shop card"
    lines = [title, "=" * min(len(title), WIDTH)]
    if rival and rival.mass_kg is not None and rival.mass_kg < verdict.mass_kg - GRAM:
        lines.append(f"A FLAT SHEET IS LIGHTER: {rival.gauge_mm:g} mm flat meets the demands with {kg(rival.mass_kg)}.")
    if not verdict.met:
        missed = ", ".join(demand.label for demand in verdict.demands if not demand.met)
        lines.append(f"NOT MET: {missed}. This is the best that was found, not what was asked for.")
    return lines


def _sheet(panel: Panel, verdict: Verdict, rival: Rival | None) -> list[str]:
    layout = verdict.layout
    x0, y0, x1, y1 = rough_outline(panel, layout).bounds
    fx0, fy0, fx1, fy1 = Polygon(panel.outline).bounds
    mass = kg(verdict.mass_kg)
    if layout.holes:
        removed = max(0.0, verdict.blank_mass_kg - verdict.mass_kg)
        mass = f"{kg(verdict.blank_mass_kg)} without holes, flared holes take out {kg(removed)}: {mass}"
    rows = [
        f"buy        {panel.material.name}, {layout.gauge:g} mm",
        f"cut first  {x1 - x0:.0f} x {y1 - y0:.0f} mm ({'rough cut' if layout.beads else 'no beads: to size'})",
        f"finished   {fx1 - fx0:.1f} x {fy1 - fy0:.1f} mm, flat",
        f"mass       {mass} finished",
    ]
    if rival:
        rows.append(f"compare    {saving(verdict, rival)}")
    return _section("SHEET", rows)


def _settings(panel: Panel, layout: Layout) -> list[str]:
    dies = list(dict.fromkeys(bead.die for bead in layout.beads))
    if not dies:
        return []
    rows, notes = [], []
    for die in dies:
        found = bench.settings(panel.tools, die, panel.material, layout.gauge)
        source = "trial strip" if found.from_trial else "formula"
        for number, one in enumerate(found.passes, 1):
            turns = "roll a trial" if one.turns is None else f"{one.turns:.2f}"
            rows.append((die.name, f"{number}", f"{one.depth:.1f}", turns, source))
        spring = f"; {found.springback:.1f} mm added for spring-back" if found.springback else ""
        notes.append(f"{die.name}: {found.note}{spring}")
    head = ("die", "pass", "depth mm", "turns from first touch", "from")
    trial = "Roll a scrap strip of this very sheet with each die first. Measure the depth after each pass."
    entry = "Enter turns and depths as a [[trial]] in the tools file: from then on they set the turns."
    return _section("TRIAL STRIP FIRST", [trial, entry, "", *columns(head, rows, right=(1, 2, 3)), "", *notes])


def _beads(panel: Panel, layout: Layout) -> list[str]:
    if not layout.beads:
        return []
    rows = []
    for place in bench.rolling_order(panel, layout.beads):
        bead = layout.beads[place]
        points = marks(bead)
        for i, (x, y, word) in enumerate(points):
            first = (f"{place + 1}", bead.die.name, bead.side, *_frame(panel, bead), f"{bead.length:.0f}")
            rows.append((*(first if i == 0 else ("",) * 6), *_from_datum(panel, (x, y)), word))
    head = ("bead", "die", "stands", "frame", "reach mm", "length mm", "X mm", "Y mm", "mark")
    drawn = ", ".join(f"{die.name} {pull_in(die):.1f} mm" for die in dict.fromkeys(bead.die for bead in layout.beads))
    notes = [
        "X right, Y up from the datum corner, seen on the up face.",
        "frame: the side of the sheet that goes to the roller's frame, looking from start to stop.",
        "reach: how much of the throat it takes.",
        f"Each bead draws the sheet in by up to {drawn} across itself.",
    ]
    return _section("BEADS, IN THE ORDER TO ROLL THEM", [*columns(head, rows, right=(0, 4, 5, 6, 7)), "", *notes])


def _frame(panel: Panel, bead: Bead) -> tuple[str, str]:
    """Which side goes to the frame, and the throat it takes, mm."""
    side = frame_side(panel, bead)
    left, right = reach(panel, bead)
    return side or "NEITHER", f"{left if side == 'left' else right if side else min(left, right):.0f}"


def _holes(panel: Panel, layout: Layout) -> list[str]:
    rows = [
        (
            f"H{number}",
            hole.die.name,
            hole.side,
            *_from_datum(panel, hole.at),
            f"{hole.die.pilot:g}",
            f"{hole.die.finished:g}",
            f"{hole.die.flange:g}",
            f"{hole.die.rise:g}",
        )
        for number, hole in enumerate(layout.holes, 1)
    ]
    head = ("hole", "die", "stands", "X mm", "Y mm", "cut dia. mm", "opening mm", "flare dia. mm", "rise mm")
    return _section("FLARED HOLES", columns(head, rows, right=range(3, 9))) if rows else []


def _from_datum(panel: Panel, at: tuple[float, float]) -> tuple[str, str]:
    x0, y0 = datum(panel)
    return f"{at[0] - x0:.1f}", f"{at[1] - y0:.1f}"


def _model(verdict: Verdict) -> list[str]:
    lines = [
        "",
        f"Judged on {verdict.nodes} nodes. w/t: deflection over thickness; above 0.5 only large deflection decides.",
    ]
    if verdict.second_opinion:
        lines += _opinion(verdict.second_opinion)
    return lines


def _opinion(opinion: dict) -> list[str]:
    """The other element's value of each demand, and how far it is from ours."""
    told = [
        f"{label} {one['value']:.3g} ({one['difference']:+.1%})"
        for label, one in opinion.items()
        if isinstance(one, dict) and one.get("value") is not None and one.get("difference") is not None
    ]
    return [f"Second opinion by another element: {', '.join(told)}."] if told else []


def _minutes(panel: Panel, layout: Layout) -> list[str]:
    shares = [(what, spent) for what, spent in bench.breakdown(panel, layout).items() if spent >= 0.5]
    told = ", ".join(f"{what} {spent:.0f}" for what, spent in shares)
    return _section("MINUTES", [f"about {bench.minutes(panel, layout):.0f} in all: {told} (a guess, to plan with)"])


def _limit(demand: DemandResult) -> str:
    smaller = demand.kind in ("deflection", "softness")
    return f"{'<=' if smaller else '>='} {demand.limit:g} {demand.unit}"


def _value(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return "no limit" if value == math.inf else "none"
    return f"{value:.3g} {unit}" if abs(value) < 1000 else f"{value:.0f} {unit}"


def _percent(share: float, sign: bool = False) -> str:
    if not math.isfinite(share):
        return "-"
    if abs(share) >= 9.995:
        return f"{'+' if share > 0 else '-'}>999 %" if sign else ">999 %"
    return f"{100 * share:+.0f} %" if sign else f"{100 * share:.1f} %"


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 2] + ".."
