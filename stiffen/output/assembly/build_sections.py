"""The sheet of a build in sections: mass, cutting list, strips, joints, rivets, tools, order of work."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from stiffen.assembly.angle_strips import strip_mass, strip_notes
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.assembly.mass import Saving, by_worth
from stiffen.model.layout import Layout
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.output.report.build_summary import (
    CUTTING_HEAD,
    WORK_HEAD,
    cutting_rows,
    purchase_lines,
    purchases,
    work_rows,
)
from stiffen.output.report.sections import Section, Table, columns, text_lines
from stiffen.shop.process_plan import minutes
from stiffen.shop.rivets import rivet_hole

from .build_sheet import BuildSheet, rivet_minutes
from .joined_sections import joined_sections
from .work_order import work_order

JOINT_HEAD = ("joint", "row on", "through", "rivets", "mm", "grip mm", "hole mm")
STRIP_HEAD = ("strip", "count", "material", "mm", "legs mm", "inside R", "length", "mass kg")


def build_sections(sheet: BuildSheet) -> tuple[Section, ...]:
    """The sections of the sheet, in the order in which a shop needs them."""
    sections = [
        Section("MASS", tuple(mass_lines(sheet))),
        Section("CUTTING LIST", (Table(CUTTING_HEAD, tuple(cutting_rows(sheet.summary)), (1, 3, 4, 5)),)),
        Section("SHEETS TO BUY", (*purchase_lines(sheet.bought), *offcut_lines(sheet))),
        Section("WORK BY PART", (Table(WORK_HEAD, tuple(work_rows(sheet.summary)), (2, 3, 4, 5, 6)),)),
    ]
    if sheet.fitted.build.strips:
        sections.append(
            Section("STRIPS", (Table(STRIP_HEAD, _strip_rows(sheet), (1, 3, 5, 6, 7)), *_strip_lines(sheet)))
        )
    if sheet.fitted.rivets:
        table = Table(JOINT_HEAD, joint_rows(sheet.fitted), (3, 4, 5, 6))
        sections.append(Section("JOINTS", (table, *rivet_lines(sheet.fitted))))
    if sheet.joined:
        sections += joined_sections(sheet.joined, {name: one.verdict for name, one in sheet.built.items()})
    sections += [
        Section("DRILLS, DIES AND CUTTERS", tuple(tool_lines(sheet))),
        Section("ORDER OF WORK", tuple(f"{n}.\t{step}" for n, step in enumerate(work_order(sheet), 1)), to_tick=True),
        Section("CAUTIONS", CAUTIONS),
    ]
    return tuple(sections)


def build_text(sheet: BuildSheet) -> str:
    """The sheet as plain text."""
    sections = ("\n".join(section_lines(one)) for one in build_sections(sheet))
    return "\n\n".join([sheet.fitted.build.name, *sections]) + "\n"


def section_lines(section: Section) -> list[str]:
    """The section as lines; its tables are not wrapped."""
    lines = [section.title]
    for part in section.parts:
        if isinstance(part, Table):
            lines += ["", *(f"  {line}" for line in columns(part.head, part.rows, part.right_aligned)), ""]
        else:
            lines += list(text_lines(Section("", (part,))))[1:]
    return lines if lines[-1] else lines[:-1]


def mass_lines(sheet: BuildSheet) -> list[str]:
    """The sum and what it is made of; the mass to beat; which panel gives most per minute of work."""
    mass, build = sheet.mass, sheet.fitted.build
    parts = {
        "panels": mass.panels,
        "strips": mass.strips,
        "rivets (estimate)": mass.rivets,
        "trim and what is bolted on": mass.fitted,
        "extras": mass.extras,
    }
    told = ", ".join(f"{name} {value:.3f}" for name, value in parts.items() if value > 0)
    lines = [f"{mass.total:.3f} kg in all: {told} kg"]
    for noun, goal in (("target", build.target_mass), ("part that it replaces", build.rival_mass)):
        if goal is not None:
            gap = mass.total - goal
            words = f"{-gap:.3f} kg under" if gap <= 0 else f"{gap:.3f} kg over"
            lines.append(f"{words} the {noun}, {goal:g} kg")
    lines += flat_lines(sheet)
    worth = by_worth(savings(sheet))
    if len(worth) > 1 and worth[0].saved > 0:
        best = "; ".join(f"{one.name} {one.grams_per_minute:.1f}" for one in worth if one.saved > 0)
        lines.append(f"grams saved against its flat sheet per minute of bench work: {best}")
    return lines


def flat_lines(sheet: BuildSheet) -> list[str]:
    """The same build of flat sheet that meets the demands: of one gauge if the build is, else each panel of its own."""
    asked = {name: one.baseline for name, one in sheet.built.items() if one.baseline and one.baseline.evaluated_gauges}
    if not asked:
        return []
    without = [name for name, one in asked.items() if one.gauge_mm is None]
    if without:
        return [f"no flat sheet of its rack meets the demands of {', '.join(without)}"]
    build = sheet.fitted.build
    thickest = max(one.gauge_mm or 0.0 for one in asked.values())
    whole = 0.0
    for part in build.panels:
        one = asked.get(part.name)
        own = one.gauge_mm if one and one.gauge_mm else min(part.panel.gauges)
        whole += part.copies * part.panel.mass(Layout(thickest if build.gauges == "one" else own))
    gap = whole - sheet.mass.panels
    words = f"{gap:.3f} kg lighter" if gap >= 0 else f"{-gap:.3f} kg heavier"
    one_gauge = f"flat sheet of {thickest:g} mm that meets the same demands"
    kind = one_gauge if build.gauges == "one" else "flat sheets that meet the same demands"
    return [f"panels {words} than {kind}, {whole:.3f} kg"]


def offcut_lines(sheet: BuildSheet) -> list[str]:
    """Which strips lie on sheets that the panels need anyway, and which would if they were of another thickness."""
    panels = {part.name for part in sheet.fitted.build.panels}
    rows = [one for one in sheet.summary if one.panel in panels]
    strips = [one for one in sheet.summary if one.panel not in panels]
    alone = {(one.material, one.gauge_mm): one for one in purchases(rows, sheet.stock)}
    lines = []
    for one in sheet.bought:
        mine = [row for row in strips if (row.material, row.gauge_mm) == (one.material, one.gauge_mm)]
        if not mine:
            continue
        names = ", ".join(dict.fromkeys(row.panel for row in mine))
        before = alone.get((one.material, one.gauge_mm))
        if before is not None:
            more = one.mass_kg - before.mass_kg
            told = "come from its offcuts" if more < 1e-9 else f"take {more:.2f} kg of sheet more"
            lines.append(f"{one.material} {one.gauge_mm:g} mm: {names} {told}.")
            continue
        for (material, gauge), other in sorted(alone.items()):
            moved = [replace(row, gauge_mm=gauge) for row in mine]
            both = purchases([*(row for row in rows if row.gauge_mm == gauge), *moved], sheet.stock)
            both = tuple(found for found in both if found.material == material)
            if material == one.material and sum(found.mass_kg for found in both) <= other.mass_kg + 1e-9:
                lines.append(
                    f"{one.material} {one.gauge_mm:g} mm is bought for {names} alone. Of {gauge:g} mm they would come "
                    f"from the offcuts of the panels, and {one.mass_kg:.2f} kg less would be bought; see that they are "
                    "stiff enough, and the grip of their rivets."
                )
                break
    return lines


def savings(sheet: BuildSheet) -> list[Saving]:
    """What each panel saves against the flat sheet that meets the same demands, copies counted."""
    found = []
    for part in sheet.fitted.build.panels:
        one = sheet.built[part.name]
        if one.baseline and one.baseline.mass_kg is not None and one.baseline.gauge_mm is not None:
            panel = sheet.fitted.panels[part.name]
            saved = one.baseline.mass_kg - panel.mass(one.layout)
            more = minutes(panel, one.layout) - minutes(panel, Layout(one.baseline.gauge_mm))
            found.append(Saving(part.name, part.copies * saved, part.copies * max(more, 0.0)))
    return found


def _strip_rows(sheet: BuildSheet) -> tuple[tuple[str, ...], ...]:
    build = sheet.fitted.build
    return tuple(
        (
            strip.name,
            f"{strip.copies}",
            strip.material.name,
            f"{strip.thickness:g}",
            " x ".join(f"{leg:g}" for leg in strip.legs),
            f"{strip.radius:g}",
            f"{strip.length:g}",
            f"{strip_mass(strip, build.tools):.3f}",
        )
        for strip in build.strips
    )


def _strip_lines(sheet: BuildSheet) -> list[str]:
    build = sheet.fitted.build
    return [f"{strip.name}: {'; '.join(strip_notes(strip, build.tools))}." for strip in build.strips]


def joint_rows(fitted: FittedBuild) -> tuple[tuple[str, ...], ...]:
    """Rows under JOINT_HEAD."""
    return tuple(
        (
            f"{one.number}",
            one.joint.part,
            ", ".join(one.joint.mates),
            f"{one.count}",
            f"{one.joint.diameter:g}",
            f"{one.grip:g}",
            f"{rivet_hole(one.joint.diameter):g}",
        )
        for one in fitted.rivets
    )


def rivet_lines(fitted: FittedBuild) -> list[str]:
    """Rivets to buy by size and grip, each counted once."""
    counts: Counter[tuple[float, float]] = Counter()
    for one in fitted.rivets:
        counts[one.joint.diameter, round(one.grip, 3)] += one.count
    total = sum(counts.values())
    return [
        f"rivets {diameter:g} mm, grip {grip:g} mm: {count}" for (diameter, grip), count in sorted(counts.items())
    ] + [f"{total} rivets in all joints, each counted once: {rivet_minutes(fitted.build) * total:.0f} minutes"]


def tool_lines(sheet: BuildSheet) -> list[str]:
    """Drills, bead dies and flaring dies of the whole build, each once."""
    layouts = [one.layout for one in sheet.built.values()]
    dies = sorted({bead.die.name for layout in layouts for bead in layout.beads})
    holes = sorted({(hole.die.name, hole.die.pilot) for layout in layouts for hole in layout.holes})
    drills = sorted({rivet_hole(one.joint.diameter) for one in sheet.fitted.rivets})
    panels = sheet.fitted.panels.values()
    bores = sorted({cutout.circle[2] for panel in panels for cutout in panel.cutouts if cutout.circle})
    lines = [f"drills for rivets: {', '.join(f'{one:g}' for one in drills)} mm"] if drills else []
    lines += [f"bead dies: {', '.join(dies)}"] if dies else []
    lines += [f"flaring die {name}: pilot {pilot:g} mm" for name, pilot in holes]
    lines += [f"round cut-outs: {', '.join(f'{one:g}' for one in bores)} mm"] if bores else []
    return lines or ["none"]
