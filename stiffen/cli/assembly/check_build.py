"""`stiffen check BUILD.toml`: does it close, and does each panel as it stands meet its demands?"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from ..inputs import faults_of_file, named_failures
from ..output_files import give_result
from ..processes import layout_workers
from ..terminal import MET, NOT_MET, progress_bar
from .judge import judged_as_one

if TYPE_CHECKING:
    from stiffen.model.results import Verdict

FEW_JOINTS = 4  # up to which other processes take longer to start than they save
ONE_PANEL_ONLY = {"layout": "--layout", "plot": "--plot", "rival": "--rival", "second_opinion": "--second-opinion"}


def run(args: argparse.Namespace) -> int:
    """Evaluate each design of the build; print joints, demands and mass."""
    from stiffen.assembly.build_file import read_build
    from stiffen.assembly.designs import designs, layout_of_member
    from stiffen.assembly.fitted_build import fitted_build
    from stiffen.fem.blas_threads import start_job
    from stiffen.joined.neighbours import PanelsOnNeighbours
    from stiffen.output.assembly.build_json import build_document
    from stiffen.output.assembly.build_sections import JOINT_HEAD, joint_rows, mass_lines, section_lines
    from stiffen.output.assembly.build_sheet import BuiltPanel, build_sheet
    from stiffen.output.assembly.joined_sections import joined_sections, summary_line
    from stiffen.output.report.card_sections.demand_section import demand_table
    from stiffen.output.report.sections import columns

    given = [option for name, option in ONE_PANEL_ONLY.items() if getattr(args, name)]
    if given:
        raise InputError([Fault(given[0], f"{args.panel} is a build", "it is for one panel: name the panel file")])
    with faults_of_file(args.panel):
        build = read_build(args.panel)
        gauges = {one.name: args.gauge for one in build.panels} if args.gauge else {}
        fitted = fitted_build(build, gauges)
    built: dict[str, BuiltPanel] = {}
    lines: list[str] = []
    groups = designs(fitted)
    on_neighbours = PanelsOnNeighbours(build, groups)
    few = len(fitted.rivets) <= FEW_JOINTS
    with progress_bar(args.quiet) as progress, layout_workers(1 if few else None) as executor:
        layouts = {one.name: one.panel.layout(fitted.gauges[one.name]) for one in groups}
        waiting: dict[str, Callable[[], Verdict]] = {}
        for number, design in enumerate(groups):
            progress(number / len(groups), design.name)
            with faults_of_file(design.name), named_failures(design.name):
                beside = on_neighbours.at_gauge(design, args.gauge)
            work = pickle.dumps((beside, layouts[design.name], args.mesh))  # later, it could change while it is sent
            waiting[design.name] = start_job(executor, _checked, work)
        verdicts = {} if executor else _results(waiting)
        as_built = {
            name: layout_of_member(one.panel, layouts[one.name], mirrored)
            for one in groups
            for name, mirrored in one.members
        }
        joined, refused = judged_as_one(fitted, as_built, args.mesh, progress, executor)
        verdicts = verdicts or _results(waiting)
    for design in groups:
        verdict = verdicts[design.name]
        built |= {name: BuiltPanel(as_built[name], verdict) for name, _ in design.members}
        names = ", ".join(name for name, _ in design.members)
        gauge = layouts[design.name].gauge
        lines += ["", f"{names}: {design.panel.material.name}, {gauge:g} mm", *demand_table(verdict)]
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


def _checked(work: bytes) -> Verdict:
    """The verdict on a pickled panel, layout and mesh level, on any worker."""
    from stiffen.analysis.evaluation import check

    panel, layout, mesh_level = pickle.loads(work)
    return check(panel, layout, mesh_level=mesh_level)


def _results(waiting: Mapping[str, Callable[[], Verdict]]) -> dict[str, Verdict]:
    """The verdict on each design by itself; a failure names the design."""
    found = {}
    for name, wait in waiting.items():
        with faults_of_file(name), named_failures(name):
            found[name] = wait()
    return found
