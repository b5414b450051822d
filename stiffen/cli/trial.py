"""`stiffen trial`: a strip to roll and measure before the panel."""

from __future__ import annotations

import argparse

from .exit_status import MET
from .output_files import faults_named_after, output_folder


def run_trial(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.io.panel_file import read_panel
    from stiffen.output.report.trial_strip import copy_starter_tools, trial_die, trial_text, write_trial

    with faults_named_after(args.panel):
        panel = read_panel(args.panel)
    die = trial_die(panel, args.die)
    gauge = args.gauge or min(panel.gauges)
    folder = output_folder(args, args.out)
    copy = copy_starter_tools(panel, folder)
    write_trial(panel, die, gauge, folder / "trial.pdf", args.paper, copy)
    with atomic_write(folder / "trial.txt") as fresh:
        fresh.write_text(trial_text(panel, die, gauge, copy), encoding="utf-8")
    print(f"trial strip of die {die.name} in {gauge:g} mm {panel.material.name}; in {folder}")
    return MET
