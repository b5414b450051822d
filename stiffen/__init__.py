"""Decide beads, flared holes and gauge for a sheet-metal panel before the sheet is cut.

The names below are the whole public interface; they load their module when first used.  mm, N, MPa, kg, Hz.

A lid of 300 x 240 mm that must not drum: is the thinnest sheet of the rack stiff enough, and if not, with which beads?
(`read_panel` takes the same from a file.)

>>> import stiffen
>>> lid = stiffen.Panel(
...     name="lid",
...     material=stiffen.materials()["5754-H111"],
...     gauges=(0.8, 2.0),
...     outline=((0, 0), (300, 0), (300, 240), (0, 240)),
...     tools=stiffen.starter_tools(),
...     supports=(stiffen.Support("edge", in_plane="free"),),
...     demands=(stiffen.Demand("frequency", limit=70),),
... )
>>> verdict = stiffen.check(lid, mesh_level="quick")
>>> verdict.met, round(verdict.demands[0].value)
(False, 53)
>>> found = stiffen.search(lid, effort="quick", mesh_level="quick")
>>> found.verdict.met, found.verdict.layout.gauge
(True, 0.8)
>>> stiffen.audit(lid, found.verdict.layout)  # no rule of the shop is broken
()
>>> flat = found.flat_baseline  # the flat sheet that does as well
>>> flat.gauge_mm, flat.mass_kg > 2 * found.verdict.mass_kg
(2.0, True)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

_NAMES = {  # public names by the module that holds them
    "errors": "Fault InputError MeshError SolverError StiffenError",
    "model.material": "Material materials",
    "model.tools": "BeadDie Cutter FoldingBrake HoleDie Roller Tools Trial",
    "model.layout": "Bead Hole Layout",
    "model.fold_plan": "CurvedFlange",
    "model.panel": "Combination Cutout Demand EdgeTrim FlatnessReading Fold KeepOut Load Panel PointMass Support",
    "model.results": "Alternative BenchMargin DemandResult FlatSheetBaseline LoadDeflectionCurve Proposal ResultFields "
    "SearchResult Verdict",
    "model.explanation": "Explanation",
    "model.outcomes": "GaugeOutcome GaugeStatus gauge_sentence",
    "io.panel_file": "read_layout read_panel",
    "io.tools_file": "read_tools starter_tools",
    "shop.layout_check": "audit",
    "analysis.evaluation": "check",
    "analysis.flat_sheet": "flat_baseline",
    "optimise.explain.explaining": "explain with_explanation",
    "optimise.search.driver": "search search_all",
    "output.drawing.marking_dxf": "write_marking",
    "output.drawing.template_pdf": "write_template",
    "output.report.shop_card": "card_text",
    "output.report.shop_card_pdf": "write_card",
    "output.report.trial_strip": "write_trial",
    "output.report.html_report": "write_page",
    "output.plots.picture_set": "write_pictures",
    "output.bench_files": "write_all",
}
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_HOME)

if TYPE_CHECKING:
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.errors import Fault, InputError, MeshError, SolverError, StiffenError
    from stiffen.io.panel_file import read_layout, read_panel
    from stiffen.io.tools_file import read_tools, starter_tools
    from stiffen.model.explanation import Explanation
    from stiffen.model.fold_plan import CurvedFlange
    from stiffen.model.layout import Bead, Hole, Layout
    from stiffen.model.material import Material, materials
    from stiffen.model.outcomes import GaugeOutcome, GaugeStatus, gauge_sentence
    from stiffen.model.panel import (
        Combination,
        Cutout,
        Demand,
        EdgeTrim,
        FlatnessReading,
        Fold,
        KeepOut,
        Load,
        Panel,
        PointMass,
        Support,
    )
    from stiffen.model.results import (
        Alternative,
        BenchMargin,
        DemandResult,
        FlatSheetBaseline,
        LoadDeflectionCurve,
        Proposal,
        ResultFields,
        SearchResult,
        Verdict,
    )
    from stiffen.model.tools import BeadDie, Cutter, FoldingBrake, HoleDie, Roller, Tools, Trial
    from stiffen.optimise.explain.explaining import explain, with_explanation
    from stiffen.optimise.search.driver import search, search_all
    from stiffen.output.bench_files import write_all
    from stiffen.output.drawing.marking_dxf import write_marking
    from stiffen.output.drawing.template_pdf import write_template
    from stiffen.output.plots.picture_set import write_pictures
    from stiffen.output.report.html_report import write_page
    from stiffen.output.report.shop_card import card_text
    from stiffen.output.report.shop_card_pdf import write_card
    from stiffen.output.report.trial_strip import write_trial
    from stiffen.shop.layout_check import audit


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'stiffen' has no attribute {name!r}")
    value = getattr(import_module(f".{_HOME[name]}", __name__), name)
    globals()[name] = value  # also keeps a module of the same name from standing in its place
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
