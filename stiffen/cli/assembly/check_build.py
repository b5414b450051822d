"""`stiffen check BUILD.toml`: does it close, and does each panel as it stands meet its demands?"""

from __future__ import annotations

import argparse
from dataclasses import replace

from stiffen.errors import Fault, InputError

from ..inputs import faults_of_file, named_failures
from ..output_files import give_result
from ..processes import layout_workers
from ..terminal import MET, NOT_MET, progress_bar
from .judge import judged_as_one

FEW_JOINTS = 4  # up to which other processes take longer to start than they save
ONE_PANEL_ONLY = {"layout": "--layout", "plot": "--plot", "rival": "--rival", "second_opinion": "--second-opinion"}


def run(args: argparse.Namespace) -> int:
    """Evaluate each design of the build; print joints, demands and mass."""
    from stiffen.analysis.evaluation import check
    from stiffen.assembly.build_file import read_build
    from stiffen.assembly.designs import designs, layout_of_member
    from stiffen.assembly.fitted_build import fitted_build
    from stiffen.joined.neighbours import PanelsOnNeighbours
    from stiffen.output.assembly.build_json import build_document
    from stiffen.output.assembly.build_sections import JOINT_HEAD, joint_rows, mass_lines, section_lines
    from stiffen.output.assembly.build_sheet import BuiltPanel, build_sheet
    from stiffen.output.assembly.joined_sections import joined_sections, summary_line
    from stiffen.output.report.sections import columns
    from stiffen.output.report.shop_card import demand_table

    given = [option for name, option in ONE_PANEL_ONLY.items() if getattr(args, name)]
    if given:
        raise InputError([Fault(given[0], f"{args.panel} is a build", "it is for one panel: name the panel file")])
    with faults_of_file(args.panel):
        build = read_build(args.panel)
        gauges = {one.name: args.gauge for one in build.panels} if args.gauge else {}
        fitted = fitted_build(build, gauges)
    built, lines = {}, []
    groups = designs(fitted)
    on_neighbours = PanelsOnNeighbours(build, groups)
    with progress_bar(args.quiet) as progress:
        for number, design in enumerate(groups):
            progress(number / len(groups), design.name)
            layout = design.panel.layout(fitted.gauges[design.name])
            with faults_of_file(design.name), named_failures(design.name):
                beside = on_neighbours.at_gauge(design, args.gauge)
                verdict = check(beside, layout, mesh_level=args.mesh)
            for name, mirrored in design.members:
                built[name] = BuiltPanel(layout_of_member(design.panel, layout, mirrored), verdict)
            names = ", ".join(name for name, _ in design.members)
            lines += ["", f"{names}: {design.panel.material.name}, {layout.gauge:g} mm", *demand_table(verdict)]
        as_built = {name: one.layout for name, one in built.items()}
        with layout_workers(None if len(fitted.rivets) > FEW_JOINTS else 1) as executor:
            joined, refused = judged_as_one(fitted, as_built, args.mesh, progress, executor)
    sheet = replace(build_sheet(fitted, built), joined=joined)
    if joined:
        sections = joined_sections(joined, {name: one.verdict for name, one in built.items()})
        lines += [line for one in sections for line in ("", *section_lines(one))]
    head = [f"{build.name}: {len(build.panels)} panels, {len(build.strips)} strips, {len(build.joints)} joints"]
    if fitted.rivets:
        head += ["every joint closes", "", *columns(JOINT_HEAD, joint_rows(fitted), (3, 4, 5, 6))]
    data = build_document(sheet)
    whole = [summary_line(joined) if joined else refused] if joined or refused else []
    give_result(args, data, [*head, *lines, "", *mass_lines(sheet), *whole, data["status"]])
    return MET if sheet.met else NOT_MET
