"""`stiffen search BUILD.toml`: layouts for all panels of a build, at one gauge if asked, and its bench files."""

from __future__ import annotations

import argparse
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from ..inputs import faults_of_file, require_demands, search_options, warn_of_units
from ..output_files import give_result, output_folder
from ..processes import layout_workers
from ..terminal import MET, NOT_MET, STOPPED, Progress, print_lines, progress_bar
from .judge import judged_as_one

if TYPE_CHECKING:
    from stiffen.assembly.designs import Design
    from stiffen.assembly.fitted_build import FittedBuild
    from stiffen.assembly.records import WholeBuild
    from stiffen.joined.neighbours import PanelsOnNeighbours
    from stiffen.model.layout import Layout
    from stiffen.model.results import SearchResult, Verdict
    from stiffen.optimise.search.build_search import BuildSearchResult
    from stiffen.output.assembly.build_sheet import BuildSheet, BuiltPanel


def plain_layout(design: Design, used: Collection[float]) -> Layout:
    """Of a panel of which nothing is asked: as in its file, in the thinnest sheet that the build uses, if it can be."""
    rack = design.panel.gauges
    return design.panel.layout(min([gauge for gauge in rack if gauge in used] or rack))


@dataclass(frozen=True, eq=False)
class WantedBuild:
    """A build to search.  fitted: with the gauges of its file.  asked: the designs of which something is asked."""

    build: WholeBuild
    fitted: FittedBuild
    groups: Sequence[Design]
    asked: Sequence[Design]
    on_neighbours: PanelsOnNeighbours

    @classmethod
    def read(cls, path: str) -> WantedBuild:
        """Read the file; raises InputError where nothing is asked, or where no gauge serves all."""
        from stiffen.assembly.build_file import read_build
        from stiffen.assembly.designs import designs
        from stiffen.assembly.fitted_build import fitted_build
        from stiffen.joined.neighbours import PanelsOnNeighbours
        from stiffen.optimise.search.build_search import common_rack

        build = read_build(path)
        fitted = fitted_build(build)
        groups = designs(fitted)
        asked = [one for one in groups if one.panel.demands]
        if not asked:
            require_demands(groups[0].panel, groups[0].name)
        for one in asked:
            warn_of_units(one.panel, one.name)
        if build.gauges != "each":
            common_rack(groups)
        return cls(build, fitted, groups, asked, PanelsOnNeighbours(build, groups))

    @property
    def panels(self) -> PanelsOnNeighbours | None:
        """The panels held as their neighbours hold them, if one asks for that."""
        return self.on_neighbours if any(self.on_neighbours.asking(one) for one in self.asked) else None

    def sheet_mass(self, found: Mapping[str, Layout]) -> float:
        """kg of sheet to buy for layouts of the searched designs; the others as they stand."""
        from stiffen.output.assembly.build_sheet import bought_mass

        used = {layout.gauge for layout in found.values()}
        layouts = {
            name: found.get(one.name) or plain_layout(one, used) for one in self.groups for name, _ in one.members
        }
        return bought_mass(self.fitted, layouts)


@dataclass(eq=False)
class WrittenParts:
    """Writes the files of each design as soon as it is found.  on_disk: design's name -> the result that is written."""

    folder: Path
    paper: str
    on_disk: dict[str, SearchResult] = field(default_factory=dict)

    def write(self, design: Design, result: SearchResult) -> None:
        """Write a design's files unless they are there."""
        from stiffen.output.assembly.build_files import write_part

        if self.on_disk.get(design.name) is not result:
            write_part(design.panel, result, self.folder, self.paper)
            self.on_disk[design.name] = result


@dataclass(frozen=True, eq=False)
class BuiltPanels:
    """All panels as built, by name: layouts and verdicts; results to write; names of those whose files are there."""

    panels: Mapping[str, BuiltPanel]
    results: Mapping[str, SearchResult | Verdict]
    written: Sequence[str]


def run(args: argparse.Namespace) -> int:
    """Search each design, write each as soon as it is found, then the whole build."""
    from stiffen.assembly.fitted_build import fitted_build
    from stiffen.optimise.search.build_search import search_build
    from stiffen.output.assembly.build_files import write_build
    from stiffen.output.assembly.build_sheet import build_sheet

    path = args.panel
    for option, value in (("--sweep", args.sweep), ("--from", args.start)):
        if value:
            raise InputError([Fault(option, f"{path} is a build", "give it one panel file")])
    with faults_of_file(path):
        wanted = WantedBuild.read(path)
    parts = WrittenParts(output_folder(args, args.out), args.paper)
    with progress_bar(args.quiet) as progress, layout_workers(args.workers, args.cluster) as executor:
        found = search_build(
            wanted.asked,
            wanted.build.gauges,
            on_found=parts.write,
            **search_options(args),
            executor=executor,
            progress=progress,
            sheet_mass=wanted.sheet_mass,
            panels=wanted.panels,
        )
        if found.error or any(one.name not in found.results for one in wanted.asked):
            return _stopped_early(args, wanted, parts, found)
        layouts = {one.name: found.results[one.name].verdict.layout for one in wanted.asked}
        layouts |= {one.name: plain_layout(one, found.gauges) for one in wanted.groups if one not in wanted.asked}
        gauges = {name: layouts[one.name].gauge for one in wanted.groups for name, _ in one.members}
        with faults_of_file(path):
            final = fitted_build(wanted.build, gauges)
        built = _as_built(args, wanted, found, layouts, final, parts, progress)
        as_built = {name: one.layout for name, one in built.panels.items()}
        joined, refused = judged_as_one(final, as_built, args.mesh, progress, executor)
    sheet = replace(build_sheet(final, built.panels), joined=joined)
    data = write_build(sheet, built.results, parts.folder, args.paper, built.written)
    give_result(args, data, list(_told(wanted, found, sheet, refused, parts.folder)))
    return MET if sheet.met else NOT_MET


def _stopped_early(args: argparse.Namespace, wanted: WantedBuild, parts: WrittenParts, found: BuildSearchResult) -> int:
    """Write what was found of a build whose search ended before all its panels; the exit status, or the error."""
    missing = [one.name for one in wanted.asked if one.name not in found.results]
    for one in wanted.asked:
        if one.name in found.results:
            parts.write(one, found.results[one.name])
    line = f"stopped before {', '.join(missing)} {'was' if len(missing) == 1 else 'were'} searched"
    if found.error:
        if found.results:
            print_lines(f"{line + '; ' if missing else ''}what was found is in {parts.folder}")
        raise found.error
    give_result(args, {"status": "not met", "missing": missing}, [f"{line}; what was found is in {parts.folder}"])
    return NOT_MET if found.results else STOPPED


def _as_built(
    args: argparse.Namespace,
    wanted: WantedBuild,
    found: BuildSearchResult,
    layouts: Mapping[str, Layout],
    final: FittedBuild,
    parts: WrittenParts,
    progress: Progress,
) -> BuiltPanels:
    """All panels of the build.  layouts: of each design.  final: the build with the gauges found."""
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.assembly.designs import layout_of_member
    from stiffen.output.assembly.build_sheet import BuiltPanel

    built: dict[str, BuiltPanel] = {}
    results: dict[str, SearchResult | Verdict] = {}
    written: list[str] = []
    for one in wanted.groups:
        result = found.results.get(one.name)
        baseline = result.flat_baseline if result else None
        if result and wanted.build.gauges != "each" and not found.stopped:  # searched at one gauge alone
            progress(None, f"flat sheet for {one.name}")
            baseline = flat_baseline(one.panel, mesh_level=args.mesh)
        for name, mirrored in one.members:
            layout = layout_of_member(one.panel, layouts[one.name], mirrored)
            panel = final.panels[name]
            if result and not mirrored and panel.source == one.panel.source:
                results[name], verdict = result, result.verdict
                written += [name] if parts.on_disk.get(name) is result else []
            else:  # the other hand, or rivets moved a little by the gauge
                progress(None, f"computing {name} as built")
                on_springs = wanted.on_neighbours.asking(one)
                beside = wanted.on_neighbours.member_beside(name, layouts) if on_springs else panel
                results[name] = verdict = check(beside, layout, mesh_level=args.mesh, fields=True)
            built[name] = BuiltPanel(layout, verdict, baseline)
    return BuiltPanels(built, results, written)


def _told(
    wanted: WantedBuild, found: BuildSearchResult, sheet: BuildSheet, refused: str | None, folder: Path
) -> Iterator[str]:
    """Lines on the build: masses, what was cut short, what the whole says (refused: why nothing), the status."""
    from stiffen.output.assembly.build_sections import mass_lines
    from stiffen.output.assembly.joined_sections import summary_line

    yield from mass_lines(sheet)
    if cut := [one.name for one in wanted.asked if found.results[one.name].cut_short]:
        yield f"cut short by --seconds: {', '.join(cut)}"
    if sheet.joined:
        yield summary_line(sheet.joined)
    elif refused:
        yield refused
    used = ", ".join(f"{gauge:g}" for gauge in found.gauges)
    status = "met" if sheet.met else "NOT MET"
    yield f"{status}: {wanted.build.name}, {sheet.mass.total:.3f} kg, {used} mm sheet; in {folder}"
    if found.stopped:
        yield found.stopped
