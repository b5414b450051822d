"""The sheet of a build in sections: mass, cutting list, strips, joints, rivets, tools, order of work."""

from __future__ import annotations

from collections import Counter

from stiffen.assembly.angle_strips import strip_mass, strip_notes
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.assembly.mass import Saving, by_worth
from stiffen.model.layout import Layout
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.output.report.build_summary import (
    NUMBER_COLUMNS,
    SUMMARY_HEAD,
    purchase_lines,
    summary_rows,
)
from stiffen.output.report.sections import Section, Table, columns, text_lines
from stiffen.shop.process_plan import minutes
from stiffen.shop.rivets import rivet_hole

from .build_sheet import BuildSheet, rivet_minutes
from .work_order import work_order

JOINT_HEAD = ("joint", "row on", "through", "rivets", "mm", "grip mm", "hole mm")
STRIP_HEAD = ("strip", "count", "material", "mm", "legs mm", "inside R", "length", "mass kg")


def build_sections(sheet: BuildSheet) -> tuple[Section, ...]:
    """The sections of the sheet, in the order in which a shop needs them."""
    sections = [
        Section("MASS", tuple(mass_lines(sheet))),
        Section("PANELS AND STRIPS", (Table(SUMMARY_HEAD, tuple(summary_rows(sheet.summary)), NUMBER_COLUMNS),)),
        Section("SHEETS TO BUY", tuple(purchase_lines(sheet.bought))),
    ]
    if sheet.fitted.build.strips:
        sections.append(
            Section("STRIPS", (Table(STRIP_HEAD, _strip_rows(sheet), (1, 3, 5, 6, 7)), *_strip_lines(sheet)))
        )
    if sheet.fitted.rivets:
        table = Table(JOINT_HEAD, joint_rows(sheet.fitted), (3, 4, 5, 6))
        sections.append(Section("JOINTS", (table, *rivet_lines(sheet.fitted))))
    sections += [
        Section("DRILLS, DIES AND CUTTERS", tuple(tool_lines(sheet))),
        Section("ORDER OF WORK", tuple(f"{n}.\t{step}" for n, step in enumerate(work_order(sheet), 1)), to_tick=True),
        Section("CAUTIONS", CAUTIONS),
    ]
    return tuple(sections)


def build_text(sheet: BuildSheet) -> str:
    """The sheet as plain text."""
    return "\n\n".join([sheet.fitted.build.name, *map(_section_text, build_sections(sheet))]) + "\n"


def _section_text(section: Section) -> str:
    """The section as lines; its tables are not wrapped."""
    lines = [section.title]
    for part in section.parts:
        if isinstance(part, Table):
            lines += ["", *(f"  {line}" for line in columns(part.head, part.rows, part.right_aligned)), ""]
        else:
            lines += list(text_lines(Section("", (part,))))[1:]
    return "\n".join(lines).rstrip()


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
    flat = [one.baseline.mass_kg if one.baseline else None for one in sheet.built.values()]
    if flat and all(value is not None for value in flat):
        counts = {part.name: part.copies for part in build.panels}
        whole = sum(
            counts[name] * (one.baseline.mass_kg or 0.0) for name, one in sheet.built.items() if one.baseline
        )  # fmt: skip
        gap = whole - mass.panels
        words = f"{gap:.3f} kg lighter" if gap >= 0 else f"{-gap:.3f} kg heavier"
        lines.append(f"panels {words} than flat sheets that meet the same demands, {whole:.3f} kg")
    worth = by_worth(savings(sheet))
    if len(worth) > 1 and worth[0].saved > 0:
        best = "; ".join(f"{one.name} {one.grams_per_minute:.1f}" for one in worth if one.saved > 0)
        lines.append(f"grams saved against its flat sheet per minute of bench work: {best}")
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
