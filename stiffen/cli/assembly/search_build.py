"""`stiffen search BUILD.toml`: layouts for all panels of a build, at one gauge if asked, and its bench files."""

from __future__ import annotations

import argparse
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from ..inputs import faults_of_file, require_demands, warn_of_units
from ..output_files import give_result, output_folder
from ..processes import layout_workers
from ..terminal import MET, NOT_MET, STOPPED, print_lines, progress_bar
from .judge import judged_as_one

if TYPE_CHECKING:
    from stiffen.assembly.designs import Design
    from stiffen.model.layout import Layout
    from stiffen.model.results import SearchResult, Verdict


def plain_layout(design: Design, used: Collection[float]) -> Layout:
    """Of a panel of which nothing is asked: as in its file, in the thinnest sheet that the build uses, if it can be."""
    rack = design.panel.gauges
    return design.panel.layout(min([gauge for gauge in rack if gauge in used] or rack))


def run(args: argparse.Namespace) -> int:
    """Search each design, write each as soon as it is found, then the whole build."""
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.assembly.build_file import read_build
    from stiffen.assembly.designs import designs, layout_of_member
    from stiffen.assembly.fitted_build import fitted_build
    from stiffen.joined.neighbours import PanelsOnNeighbours
    from stiffen.optimise.search.build_search import common_rack, search_build
    from stiffen.output.assembly.build_files import write_build, write_part
    from stiffen.output.assembly.build_sections import mass_lines
    from stiffen.output.assembly.build_sheet import BuiltPanel, bought_mass, build_sheet
    from stiffen.output.assembly.joined_sections import summary_line

    path = args.panel
    for option, value in (("--sweep", args.sweep), ("--from", args.start)):
        if value:
            raise InputError([Fault(option, f"{path} is a build", "give it one panel file")])
    with faults_of_file(path):
        build = read_build(path)
        fitted = fitted_build(build)
        groups = designs(fitted)
        on_neighbours = PanelsOnNeighbours(build, groups)
        asked = [one for one in groups if one.panel.demands]
        if not asked:
            require_demands(groups[0].panel, groups[0].name)
        for one in asked:
            warn_of_units(one.panel, one.name)
        if build.gauges != "each":
            common_rack(groups)
    folder = output_folder(args, args.out)

    def sheet_mass(found: Mapping[str, Layout]) -> float:
        """kg of sheet to buy for layouts of the searched designs; the others as they stand."""
        used = {layout.gauge for layout in found.values()}
        return bought_mass(
            fitted, {name: found.get(one.name) or plain_layout(one, used) for one in groups for name, _ in one.members}
        )

    on_disk: dict[str, SearchResult] = {}

    def write_found(design: Design, result: SearchResult) -> None:
        write_part(design.panel, result, folder, args.paper)
        on_disk[design.name] = result

    with progress_bar(args.quiet) as progress, layout_workers(args.workers, args.cluster) as executor:
        found = search_build(
            asked,
            build.gauges,
            on_found=write_found,
            effort=args.effort,
            seconds=args.seconds,
            seed=args.seed,
            mesh_level=args.mesh,
            executor=executor,
            progress=progress,
            sheet_mass=sheet_mass,
            panels=on_neighbours if any(on_neighbours.asking(one) for one in asked) else None,
        )
        missing = [one.name for one in asked if one.name not in found.results]
        if missing or found.error:
            for one in asked:
                if one.name in found.results:
                    write_part(one.panel, found.results[one.name], folder, args.paper)
            line = f"stopped before {', '.join(missing)} {'was' if len(missing) == 1 else 'were'} searched"
            if found.error:
                if found.results:
                    print_lines(f"{line + '; ' if missing else ''}what was found is in {folder}")
                raise found.error
            give_result(args, {"status": "not met", "missing": missing}, [f"{line}; what was found is in {folder}"])
            return NOT_MET if found.results else STOPPED
        layouts = {one.name: found.results[one.name].verdict.layout for one in asked}
        layouts |= {one.name: plain_layout(one, found.gauges) for one in groups if one not in asked}
        gauges = {name: layouts[one.name].gauge for one in groups for name, _ in one.members}
        with faults_of_file(path):
            final = fitted_build(build, gauges)
        written: list[str] = []  # panels whose files are there
        built: dict[str, BuiltPanel] = {}
        results: dict[str, SearchResult | Verdict] = {}
        for one in groups:
            result = found.results.get(one.name)
            baseline = result.flat_baseline if result else None
            if result and build.gauges != "each" and not found.stopped:  # searched at one gauge alone
                progress(None, f"flat sheet for {one.name}")
                baseline = flat_baseline(one.panel, mesh_level=args.mesh)
            for name, mirrored in one.members:
                layout = layout_of_member(one.panel, layouts[one.name], mirrored)
                panel = final.panels[name]
                if result and not mirrored and panel.source == one.panel.source:
                    results[name], verdict = result, result.verdict
                    written += [name] if on_disk.get(name) is result else []
                else:  # the other hand, or rivets moved a little by the gauge
                    progress(None, f"computing {name} as built")
                    beside = on_neighbours.member_beside(name, layouts) if on_neighbours.asking(one) else panel
                    results[name] = verdict = check(beside, layout, mesh_level=args.mesh, fields=True)
                built[name] = BuiltPanel(layout, verdict, baseline)
        as_built = {name: one.layout for name, one in built.items()}
        joined, refused = judged_as_one(final, as_built, args.mesh, progress, executor)
    sheet = replace(build_sheet(final, built), joined=joined)
    data = write_build(sheet, results, folder, args.paper, written)
    used = ", ".join(f"{gauge:g}" for gauge in found.gauges)
    status = "met" if sheet.met else "NOT MET"
    cut = [one.name for one in asked if found.results[one.name].cut_short]
    lines = [*mass_lines(sheet), *([f"cut short by --seconds: {', '.join(cut)}"] if cut else [])]
    lines += [summary_line(joined) if joined else refused] if joined or refused else []
    lines += [f"{status}: {build.name}, {sheet.mass.total:.3f} kg, {used} mm sheet; in {folder}"]
    if found.stopped:
        lines.append(found.stopped)
    give_result(args, data, lines)
    return MET if sheet.met else NOT_MET
