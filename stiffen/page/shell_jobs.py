"""Judgements of the shell model, flat sheets and bench files, in a process of their own."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from stiffen.analysis.evaluation import Evaluation, evaluate
from stiffen.analysis.flat_sheet import flat_baseline, with_outside_gauge
from stiffen.errors import StiffenError
from stiffen.fem.blas_threads import one_thread
from stiffen.io.folder_lock import locked_folder
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, Verdict
from stiffen.output.bench_files import write_bench_files
from stiffen.shop.process_plan import minutes

from .records import layout_from, rounded, verdict_data
from .workers import Mailbox

MESH_LEVEL = "normal"
KEPT_EVALUATIONS = 8


class OvertakenError(Exception):
    """A newer layout is to be judged."""


@dataclass(eq=False)
class ShellJobs:
    """Jobs for one panel.  evaluations: the latest ones, by layout, so that writing need not repeat them."""

    panel: Panel
    mailbox: Mailbox
    evaluations: dict[str, Evaluation] = field(default_factory=dict)
    baseline: FlatSheetBaseline | None = None

    @one_thread
    def judge(self, key: str, layout: Layout) -> None:
        """Judge a layout; its fields and the flat sheets follow if nothing newer waits."""
        if key not in self.evaluations:
            self.evaluations[key] = evaluate(self.panel, layout, mesh_level=MESH_LEVEL, progress=self._until_overtaken)
            while len(self.evaluations) > KEPT_EVALUATIONS:
                del self.evaluations[next(iter(self.evaluations))]
        evaluation = self.evaluations[key]
        self.mailbox.send("judged", {"key": key, **verdict_data(evaluation.full_verdict())})
        self._until_overtaken(None, "")
        self.mailbox.send("fields", {"key": key, **fields_data(evaluation.full_verdict(fields=True))})
        self._until_overtaken(None, "")
        if self.baseline is None:
            self.mailbox.send("flat", self._flat(flat_baseline(self.panel, progress=self._until_overtaken)))

    def _until_overtaken(self, fraction: float | None, message: str) -> None:
        if self.mailbox.has("judge", "panel"):
            raise OvertakenError

    def _flat(self, baseline: FlatSheetBaseline) -> dict:
        """Mass and minutes of the lightest flat sheet that meets the demands; a sheet outside the rack if none does."""
        self.baseline = baseline = with_outside_gauge(self.panel, baseline)
        gauge, kg = baseline.gauge_mm, baseline.mass_kg
        if gauge is None:
            gauge, kg = baseline.outside_gauge_mm, baseline.outside_mass_kg
        spent = None if gauge is None else minutes(self.panel, Layout(gauge))
        return {"gauge": gauge, "kg": kg, "minutes": spent, "in_rack": baseline.gauge_mm is not None}

    @one_thread
    def write(self, key: str, layout: Layout, folder: Path, paper: str) -> None:
        """Write the bench folder of a layout."""
        if key not in self.evaluations:
            self.evaluations[key] = evaluate(self.panel, layout, mesh_level=MESH_LEVEL)
        verdict = self.evaluations[key].full_verdict(fields=True)
        if self.baseline is None:
            self.mailbox.send("flat", self._flat(flat_baseline(self.panel)))
        flat = None
        if layout.beads or layout.holes:
            flat = evaluate(self.panel, Layout(layout.gauge), mesh_level=MESH_LEVEL).full_verdict(fields=True)
        with locked_folder(folder):
            data = write_bench_files(
                self.panel, verdict, folder, flat_baseline=self.baseline, flat=flat, paper=paper
            )  # fmt: skip
        files = sorted(file.name for file in folder.iterdir() if not file.name.startswith("."))
        self.mailbox.send("written", {"folder": folder.name, "files": files, "status": data["status"]})


def fields_data(verdict: Verdict) -> dict:
    """Fields of a judged layout for the page's map and its comparison."""
    fields = verdict.fields
    assert fields is not None
    return {
        "nodes": fields.plan_nodes.round(2).tolist(),
        "triangles": fields.triangles.tolist(),
        "deflection": {case: rounded(np.abs(values)) for case, values in fields.deflection.items()},
        "softness": rounded(fields.softness, 5),
        "curves": {
            case: [curve.load_factors.round(4).tolist(), rounded(curve.largest_deflections)]
            for case, curve in fields.curves.items()
        },
    }


def serve(mailbox: Mailbox) -> None:
    """Main function of the process.

    Messages: ("panel", Panel), ("judge", {key, layout}), ("write", {key, layout, folder, paper}).
    """
    jobs: ShellJobs | None = None
    while True:
        kind, content = mailbox.take("judge", "panel")
        if kind == "panel":
            jobs = ShellJobs(content, mailbox)
            continue
        assert jobs is not None
        key: Any = content["key"]
        try:
            layout = layout_from(content["layout"], jobs.panel)
            if kind == "judge":
                jobs.judge(key, layout)
            else:
                jobs.write(key, layout, Path(content["folder"]), content["paper"])
        except OvertakenError:
            continue
        except StiffenError as error:
            mailbox.send("not judged" if kind == "judge" else "not written", {"key": key, "why": str(error)})


def layout_key(layout: dict, text_number: int) -> str:
    """The same for the same layout under the same panel, frozen or not."""
    beads, holes = ([{**part, "fixed": None} for part in layout[kind]] for kind in ("beads", "holes"))
    return json.dumps([text_number, layout["gauge"], beads, holes], sort_keys=True)
