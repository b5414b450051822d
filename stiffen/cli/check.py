"""`stiffen check`: evaluates a panel with the beads and holes of its file."""

from __future__ import annotations

import argparse
from dataclasses import replace

from .assembly import check_build
from .inputs import faults_of_file, is_build, layout_of_file, panel_of_file, positive_number
from .output_files import exit_status, flat_sheet_for_pictures, give_result, output_folder, panel_picture_file, summary
from .terminal import progress_bar

HELP = "check a panel as it stands"
DESCRIPTION = """\
Compute the panel, with the beads and holes of its file, and compare it with its demands.
Of a build file every joint is checked, then every panel."""
EXAMPLES = (
    "stiffen check hatch.toml --gauge 1.2",
    "stiffen check hatch.toml --layout out/layout.json --json result.json --plot pictures",
    "stiffen check hatch.toml --json - | python -m json.tool",
    "stiffen check tub.toml                    a build: do its parts meet, and every panel its demands?",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument(
        "panel", metavar="PANEL.toml", help="the panel file, or a build file: every panel and joint of it"
    )
    parser.add_argument("--layout", metavar="L.json", help="take the beads and holes of this layout instead")
    parser.add_argument(
        "--gauge",
        metavar="MM",
        type=positive_number("mm"),
        help="sheet thickness, mm (default: the layout's, or the thinnest)",
    )
    parser.add_argument("--rival", action="store_true", help="also find the thinnest flat sheet that meets the demands")
    parser.add_argument(
        "--second-opinion",
        action="store_true",
        help="also compute with another shell element; a difference of more than 5 %% gives a warning",
    )
    parser.add_argument(
        "--plot",
        metavar="DIR",
        help="write pictures here: layout, result maps beside those of the flat sheet, first mode as GIF",
    )


def run(args: argparse.Namespace) -> int:
    """Evaluate the panel, print the table of demands, write JSON and pictures if asked."""
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline, with_outside_gauge
    from stiffen.io.result_json import result_document
    from stiffen.output.plots.picture_set import write_animation, write_pictures
    from stiffen.output.report.card_sections.demand_section import NO_SECOND_OPINION, demand_table
    from stiffen.output.report.card_sections.fastener_section import fastener_table
    from stiffen.output.report.card_sections.sheet_section import mass_comparison

    if is_build(args.panel):
        return check_build.run(args)
    panel = panel_of_file(args.panel)
    layout = panel.layout(args.gauge)
    if args.layout:
        _, layout = layout_of_file(args.layout)
        layout = replace(layout, gauge=args.gauge or layout.gauge)
    folder = output_folder(args, args.plot) if args.plot else None
    if folder:
        panel_picture_file(panel, folder / "panel.png")
    with faults_of_file(args.panel), progress_bar(args.quiet) as progress:
        verdict = check(
            panel,
            layout,
            mesh_level=args.mesh,
            fields=bool(folder),
            second_opinion=args.second_opinion,
            progress=progress,
        )
        baseline = flat_baseline(panel, mesh_level=args.mesh, progress=progress) if args.rival else None
        baseline = with_outside_gauge(panel, baseline, progress=progress) if baseline else None
        flat = flat_sheet_for_pictures(panel, verdict, args.mesh, progress) if folder else None
    if folder:
        write_pictures(panel, verdict, folder, flat=flat)
        write_animation(panel, verdict, folder)
    data = result_document(panel, verdict, baseline)
    lines = [f"{panel.name}: {panel.material.name}, {summary(verdict)}"]
    if not args.layout and not args.gauge and len(panel.gauges) > 1:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        lines.append(f"the thinnest sheet of the rack ({rack} mm); --gauge takes another")
    lines += ["", *demand_table(verdict), ""]
    if fasteners := fastener_table(panel, verdict):
        lines += ["most loaded rivets and bolts:", *fasteners, ""]
    if args.second_opinion and verdict.second_opinion is None:
        lines.append(NO_SECOND_OPINION)
    lines += [f"warning: {line}" for line in data["warnings"]]
    if baseline:
        lines.append(mass_comparison(verdict, baseline))
    hint = "" if verdict.demands else ": put a [[demand]] into the panel file, see stiffen new"
    give_result(args, data, [*lines, f"{data['status']}{hint}"])
    return exit_status(data)
