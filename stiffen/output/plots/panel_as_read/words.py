"""What was understood of a panel file, in words: one row for each support, load, keep-out and so on, with its mark.

The marks (S1, L1, K1, ...) are those of `picture`.  Places in mm from the datum corner, left and down.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

from shapely.geometry import LineString, Polygon

from stiffen.model.panel import Demand, EdgeTrim, Load, Panel, Support
from stiffen.output.drawing.bench_view import datum_corner, plural

GRAVITY = 9.80665  # N/kg, ISO 80000-3
HOLD_WORDS = {"pinned": "may tilt", "clamped": "cannot tilt", "guided": "cannot tilt, may move square to the sheet"}
IN_PLANE_WORDS = {
    "held": "edges cannot pull in",
    "free": "edges may pull in",
    "unknown": "not known if edges pull in: the worse counts",
    "build": "edges pull in as the build lets them",
}
DEMAND_WORDS = {
    "deflection": "deflection in {case} at most {limit} mm",
    "softness": "a push of {force} N anywhere gives at most {limit} mm",
    "frequency": "first frequency at least {limit} Hz",
    "buckling": "buckling in {case} not below {limit} times the load",
    "stress": "yield at least {limit} times the stress in {case}",
}
FACE_WORDS = {"up": "up face", "down": "down face", "either": "either face"}


@dataclass(frozen=True)
class PanelRow:
    """One thing in a panel file.  mark: its name in the picture, "" for a demand; kind: of thing; text: what it is."""

    mark: str
    kind: str
    text: str


def panel_rows(panel: Panel) -> tuple[PanelRow, ...]:
    """All that a panel file says of how the sheet is held, loaded, kept clear and asked for; a row for each thing."""
    rows = [
        *(PanelRow(f"F{n}", "fold", _fold(fold.angle, fold.radius)) for n, fold in enumerate(panel.folds, 1)),
        *(
            PanelRow(f"F{n}", "fold", f"{_fold(one.angle, one.bend_radius)}, along an arc of R {one.edge_radius:.0f}")
            for n, one in enumerate(panel.curved_flanges, len(panel.folds) + 1)
        ),
        *(PanelRow(f"S{n}", one.kind, support_words(one)) for n, one in enumerate(panel.supports, 1)),
        *(PanelRow(f"L{n}", load.kind, load_words(panel, load)) for n, load in enumerate(panel.loads, 1)),
        *(
            PanelRow(
                "", "combination", f"{one.case}: " + " + ".join(f"{factor:g} x {name}" for name, factor in one.factors)
            )
            for one in panel.combinations
        ),
        *(
            PanelRow(f"K{n}", "keep_out", f"no {' or '.join(one.against)} here" + (f": {one.why}" if one.why else ""))
            for n, one in enumerate(panel.keep_outs, 1)
        ),
        *(PanelRow(f"T{n}", "trim", _trim(trim)) for n, trim in enumerate(panel.trims, 1)),
        *(
            PanelRow(f"M{n}", "mass", f"{mass.what or 'mass'}, {mass.kg:g} kg at {_place(panel, mass.at)}")
            for n, mass in enumerate(panel.masses, 1)
        ),
        *_given_layout(panel),
        *(PanelRow("", "demand", demand_words(demand)) for demand in panel.demands),
    ]
    return tuple(_together(rows))


def _together(rows: Iterable[PanelRow]) -> Iterable[PanelRow]:
    """Neighbouring rows of one text as one: S1-S3."""
    for (kind, text), group in groupby(rows, key=lambda row: (row.kind, row.text)):
        marks = [row.mark for row in group]
        yield PanelRow(marks[0] if len(marks) == 1 or not marks[0] else f"{marks[0]}-{marks[-1]}", kind, text)


def head_lines(panel: Panel) -> list[str]:
    """Name; size and sheet; on which face beads may stand."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    gauges = ", ".join(f"{gauge:g}" for gauge in panel.gauges)
    shaped = " blank," if panel.is_folded else ","
    beads = f"beads on the {FACE_WORDS[panel.bead_side]}" if panel.bead_side != "either" else "beads on either face"
    return [
        panel.name,
        f"{round(x1 - x0, 1):g} x {round(y1 - y0, 1):g} mm{shaped} {panel.material.name}, {gauges} mm; {beads}",
    ]


def support_words(support: Support) -> str:
    """What holds, where, and how: 'edge all round: may tilt, edges may pull in'."""
    if support.slip is not None:
        plane = f"{support.slip:g} mm of play along the sheet, then held"
    else:
        plane = IN_PLANE_WORDS[support.in_plane]
    how = [HOLD_WORDS[support.hold], plane]
    if support.kind == "rest":
        how[0] = "lies on it, can lift off"
        how += [HOLD_WORDS[support.hold]] if support.hold != "pinned" else []
    if support.onto:
        how.append(f"onto {support.onto:g} mm")
    if support.stiffness:
        how.append(f"gives way: {support.stiffness:g} N/mm")
    return f"{_support_noun(support)}: {', '.join(how)}"


def _support_noun(support: Support) -> str:
    fasteners = support.fasteners()
    if fasteners:
        pitch = f", {support.pitch:g} mm apart" if support.kind == "rivets" and not support.at else ""
        return f"{plural(fasteners, support.kind.removesuffix('s'))} of {support.diameter:g} mm{pitch}"
    noun = {"edge": "held edge", "rest": "rest"}[support.kind]
    if support.path is None:
        return f"{noun} all round"
    closed = support.path[0] == support.path[-1]
    return f"{noun}, {'a closed line' if closed else f'{LineString(support.path).length:.0f} mm long'}"


def load_words(panel: Panel, load: Load) -> str:
    """Case, size, place and direction of a load: 'wind: 0.12 kPa onto the up face, whole sheet (24 N in all)'."""
    onto = "onto the up face" if load.value > 0 else "onto the down face"
    value = abs(load.value)
    if load.kind == "pressure":
        area = panel.region.intersection(Polygon(load.polygon)).area if load.polygon else panel.region.area
        place = "on its polygon" if load.polygon else "on the whole sheet"
        text = f"{value * 1000:.4g} kPa {onto}, {place} ({_newtons(value * area, ' in all')})"
    elif load.kind == "patch":
        assert load.size is not None
        place = "anywhere: the worst place counts" if load.at is None else f"at {_place(panel, load.at)}"
        text = f"{_newtons(value, weight=True)} on {load.size[0]:g} x {load.size[1]:g} mm {onto}, {place}"
    elif load.kind == "line":
        assert load.path is not None
        total = value * LineString(load.path).length
        way = direction_words([part * (1 if load.value > 0 else -1) for part in load.direction])
        text = f"{value:g} N/mm {way}, along its line ({_newtons(total, ' in all')})"
    else:
        parts = [f"{abs(part):g} g {_axis_words(axis, part)}" for axis, part in enumerate(load.g) if part]
        text = f"{' and '.join(parts)} on the sheet and all that is fixed to it"
    return f"{load.case}: {text}"


def direction_words(direction: Iterable[float]) -> str:
    """A direction in words: 'onto the up face', 'to the right', or its three parts."""
    parts = [(axis, part) for axis, part in enumerate(direction) if abs(part) > 1e-9]
    if len(parts) > 1:
        return "in direction [" + ", ".join(f"{part:.2g}" for part in direction) + "]"
    axis, part = parts[0]
    if axis == 2:
        return "onto the up face" if part < 0 else "onto the down face"
    return _axis_words(axis, part)


def _axis_words(axis: int, part: float) -> str:
    words = (("to the left", "to the right"), ("toward the bottom edge", "toward the top edge"))
    faces = ("toward the down face", "toward the up face")
    return (*words, faces)[axis][part > 0]


def demand_words(demand: Demand) -> str:
    """What is asked, in one sentence."""
    force = f"{demand.force:g}" if demand.force else ""
    return DEMAND_WORDS[demand.kind].format(case=demand.case, limit=f"{demand.limit:g}", force=force)


def _newtons(force: float, note: str = "", weight: bool = False) -> str:
    """A force, and from 10 N on what weighs as much, in brackets with `weight`."""
    kilos = f"as {force / GRAVITY:.3g} kg" if force >= 10 else ""
    joined = (f" ({kilos})" if weight else f", {kilos}") if kilos else ""
    return f"{force:.3g} N{note}{joined}"


def _fold(angle: float, radius: float) -> str:
    inside = f", inside radius {radius:g} mm" if radius else ", sharp"
    return f"fold {abs(angle):g} degrees toward the {'up' if angle > 0 else 'down'} face{inside}"


def _trim(trim: EdgeTrim) -> str:
    where = f"{LineString(trim.path).length:.0f} mm" if trim.path else "all round"
    what = trim.what or ("tube" if trim.tube else "edging")
    tube = f", tube of {trim.tube:g} mm" if trim.tube else ""
    return f"{what}, {where}{tube}, {trim.kg_per_metre:g} kg/m{', stiff' if trim.stiffness else ''}"


def _given_layout(panel: Panel) -> list[PanelRow]:
    """Beads and holes of the file: rows of those that stay and of those that a search may move."""
    rows = []
    for kind, things, noun in (("bead", panel.beads, "bead"), ("hole", panel.holes, "flared hole")):
        for fixed, fate in ((True, "decided: stays"), (False, "a start: a search may change it")):
            some = [one for one in things if one.fixed is fixed]
            if some:
                dies = ", ".join(dict.fromkeys(one.die.name for one in some))
                sides = " and ".join(dict.fromkeys(one.side for one in some))
                rows.append(PanelRow("", kind, f"{plural(some, noun)} {dies}, proud {sides}, {fate}"))
    return rows


def _place(panel: Panel, at: tuple[float, float]) -> str:
    x0, y0 = datum_corner(panel)
    return f"X {round(at[0] - x0, 1):g}, Y {round(at[1] - y0, 1):g}"
