"""The built-in materials and sheets, and a shop's tools, cutters and spacing rules, as lines of text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from stiffen.model.material import Material, material_aliases, materials, rated_thickness, stock_gauges
from stiffen.model.tools import Tools
from stiffen.shop.flared_holes import stock_cutters
from stiffen.shop.process_plan import BENCH_MINUTES, bench_minutes
from stiffen.shop.spacing_rules import SPACING_RULES

from .sections import MAX_LINE_CHARS, columns


def stock_lines(tools: Tools) -> list[str]:
    """The whole catalogue as lines of text.  The heads of the tables give the units."""
    return [
        *_materials(tools),
        "",
        "OTHER NAMES that a panel may give (capitals, spaces, hyphens and a leading EN AW do not count)",
        *(_wrapped_list(name, others) for name, others in material_aliases().items() if others),
        "",
        "SHEETS COMMONLY SOLD, mm (common practice, no source)",
        *(_wrapped_list(kind, [_gauge_text(*size) for size in sizes]) for kind, sizes in stock_gauges().items()),
        "",
        f"TOOLS: {tools.name}",
        *_roller(tools),
        "",
        *_bead_dies(tools),
        "",
        *_hole_dies(tools),
        "",
        "FOR PILOT HOLES, mm" + ("" if tools.cutters else " (sizes commonly sold: common practice, no source)"),
        *(_wrapped_list(one.kind, [f"{x:g}" for x in one.sizes]) for one in tools.cutters or stock_cutters()),
        "",
        *_spacing(tools),
        "",
        *_minutes(tools),
        "",
        "WHERE THE MATERIALS' NUMBERS COME FROM",
        *(_wrapped_list(one.name, [one.source]) for one in materials().values()),
    ]


def _wrapped_list(name: str, items: Sequence[str]) -> str:
    """A name and a list, wrapped with an indent."""
    return textwrap.fill(
        f"{name}: {', '.join(items)}", MAX_LINE_CHARS, subsequent_indent="    ", break_on_hyphens=False
    )


def _gauge_text(name: str, mm: float) -> str:
    return name.removesuffix(" mm") if name.endswith(" mm") else f"{name} {mm:g}"


def _materials(tools: Tools) -> list[str]:
    rows = [_material_row(one, tools) for one in materials().values()]
    head = ("material", "E GPa", "nu", "kg/m3", "yield MPa", "tensile MPa", "elongation %", "roller takes mm")
    return ["MATERIALS", *columns(head, rows, right_aligned=range(1, 8))]


def _material_row(one: Material, tools: Tools) -> tuple[str, ...]:
    return (
        one.name,
        f"{one.E / 1000:.1f}",
        f"{one.nu:.2f}",
        f"{one.rho * 1e9:.0f}",
        f"{one.yield_strength:.0f}",
        f"{one.tensile:.0f}",
        f"{100 * one.elongation:.0f}",
        f"{rated_thickness(one, tools.roller.rated_steel):.2f}",
    )


def _roller(tools: Tools) -> list[str]:
    roller = tools.roller
    return [
        f"roller: throat {roller.throat:g} mm, rated {roller.rated_steel:g} mm mild steel, screw lead "
        f"{roller.screw_lead:g} mm a turn, tightest curve R {roller.least_path_radius:g} mm"
    ]


def _bead_dies(tools: Tools) -> list[str]:
    rows = [
        (die.name, die.profile, *(f"{x:g}" for x in (die.width, die.depth, die.run_out_length)))
        for die in tools.bead_dies
    ]
    return columns(("bead die", "profile", "width mm", "depth mm", "run-out mm"), rows, right_aligned=range(2, 5))


def _hole_dies(tools: Tools) -> list[str]:
    rows = [
        (
            die.name,
            *(f"{x:g}" for x in (die.pilot, die.finished, die.flange, die.rise)),
            f"{die.angle:.0f}",
            f"{100 * die.lip_strain:.0f}",
            f"{die.draw_bolt:g}" if die.draw_bolt else "-",
        )
        for die in tools.hole_dies
    ]
    head = ("flaring die", "cut dia. mm", "opening mm", "flare dia. mm", "rise mm", "cone deg", "lip %", "bolt mm")
    return [
        *columns(head, rows, right_aligned=range(1, 8)),
        "How thick a sheet a die takes is not known here: flare one in scrap of the same sheet.",
    ]


def _minutes(tools: Tools) -> list[str]:
    rows = [
        (name, f"{bench_minutes(tools, name):g}", one.description + (": this shop's own" * (name in tools.minutes)))
        for name, one in BENCH_MINUTES.items()
    ]
    return [
        "BENCH MINUTES (common practice, no source)",
        *columns(("work", "minutes", "what"), rows, right_aligned=(1,)),
    ]


def _spacing(tools: Tools) -> list[str]:
    rows = [
        (
            rule.name,
            rule.description,
            f"{tools.spacing[rule.name]:g}" if rule.name in tools.spacing else rule.formula,
            "this shop's own" if rule.name in tools.spacing else rule.source,
        )
        for rule in SPACING_RULES.values()
    ]
    head = ("spacing rule", "from and to", "mm", "source")
    return ["t: thickness, d: diameter of the rivet or bolt, R: inside radius of the fold", *columns(head, rows)]
