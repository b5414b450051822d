"""`stiffen check`: a panel as it stands, against its demands."""

from __future__ import annotations

import argparse
from dataclasses import replace

from .exit_status import MET, NOT_MET
from .output_files import faults_named_after, flat_sheet_of_same_gauge, output_folder, summary
from .terminal import print_result, progress_bar


def run_check(args: argparse.Namespace) -> int:
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.io.panel_file import read_layout, read_panel
    from stiffen.io.result_json import result_document
    from stiffen.output.plots.picture_set import write_animation, write_pictures
    from stiffen.output.report.shop_card import demand_table, fastener_table, mass_comparison

    with faults_named_after(args.panel):
        panel = read_panel(args.panel)
    layout = panel.layout(args.gauge)
    if args.layout:
        with faults_named_after(args.layout):
            layout = read_layout(args.layout)[1]
        layout = replace(layout, gauge=args.gauge or layout.gauge)
    folder = output_folder(args, args.plot) if args.plot else None
    with progress_bar(args.quiet) as progress:
        verdict = check(
            panel,
            layout,
            mesh_level=args.mesh,
            fields=bool(folder),
            second_opinion=args.second_opinion,
            progress=progress,
        )
        flat = flat_baseline(panel, mesh_level=args.mesh, progress=progress) if args.rival else None
        beside = flat_sheet_of_same_gauge(panel, verdict, args.mesh, progress) if folder else None
    if folder:
        write_pictures(panel, verdict, folder, flat=beside)
        write_animation(panel, verdict, folder)
    data = result_document(panel, verdict, flat)
    words = [f"{panel.name}: {panel.material.name}, {summary(verdict)}"]
    if not args.layout and not args.gauge and len(panel.gauges) > 1:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        words.append(f"the thinnest sheet of the rack ({rack} mm); --gauge takes another")
    words += ["", *demand_table(verdict), ""]
    if loaded := fastener_table(panel, verdict):
        words += ["rivet or bolt that carries most:", *loaded, ""]
    words += [f"look out: {line}" for line in data["warnings"]]
    if flat:
        words.append(mass_comparison(verdict, flat))
    print_result(args, data, [*words, data["status"]])
    return MET if data["status"] == "met" else NOT_MET
