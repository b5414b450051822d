"""No demand is met by default: the analysis refuses kinds, cases, loads and holds that it does not know."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import EDGE, lid
from support.records import unchecked

from stiffen.analysis.demand_values import demand_value, linear_deflection_ratio
from stiffen.analysis.evaluation import check
from stiffen.analysis.flat_sheet import flat_baseline
from stiffen.analysis.loads import case_forces
from stiffen.analysis.panel_model import meshed_model
from stiffen.analysis.screening import quick_utilisation
from stiffen.analysis.supports import build_restraints, in_plane_assumptions
from stiffen.errors import InputError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Combination, Demand, Load
from stiffen.surrogate.laminated_panel import laminated_panel

SHEET = Layout(1.0)
WIND = Load("wind", "pressure", 1e-5)
FREQUENCY, DEFLECTION = Demand("frequency", 70.0), Demand("deflection", 1.0, "wind")
SOFTNESS = Demand("softness", 1.0, force=1.0)
DEMANDS = {
    "kind": (unchecked(FREQUENCY, kind="freqency"), r"demand\[1\].kind: 'freqency' is not known"),
    "case": (unchecked(DEFLECTION, case="wnid"), r"demand\[1\].case: 'wnid' is not known"),
    "no case": (unchecked(DEFLECTION, case=None), r"demand\[1\].case: None is not known"),
    "stress of no case": (unchecked(DEFLECTION, kind="stress", case=None), r"demand\[1\].case: None"),
    "buckling of another case": (unchecked(DEFLECTION, kind="buckling", case="x"), r"demand\[1\].case: 'x'"),
    "negative limit": (unchecked(DEFLECTION, limit=-1.0), r"demand\[1\].limit: is -1"),
    "no limit": (unchecked(FREQUENCY, limit=0.0), r"demand\[1\].limit: is 0"),
    "infinite limit": (unchecked(DEFLECTION, limit=float("inf")), r"demand\[1\].limit: is inf"),
    "limit that is no number": (unchecked(DEFLECTION, limit=float("nan")), r"demand\[1\].limit: is nan"),
    "no force": (unchecked(SOFTNESS, force=None), r"demand\[1\].force: is None"),
    "force that pulls": (unchecked(SOFTNESS, force=-1.0), r"demand\[1\].force: is -1"),
}


@pytest.mark.parametrize(("demand", "message"), DEMANDS.values(), ids=DEMANDS)
@pytest.mark.parametrize(
    "run",
    [
        lambda panel: check(panel, SHEET, mesh_level="quick"),
        lambda panel: quick_utilisation(panel, SHEET),
        lambda panel: flat_baseline(panel, mesh_level="quick"),
        lambda panel: laminated_panel(panel, 1.0),
    ],
    ids=["check", "quick utilisation", "flat baseline", "surrogate"],
)
def test_a_demand_that_is_not_known_is_refused(demand, message, run):
    with pytest.raises(InputError, match=message):
        run(unchecked(lid(loads=(WIND,)), demands=(demand,)))


@pytest.fixture(scope="module")
def model():
    return meshed_model(lid(loads=(WIND,)), SHEET, "quick")


@pytest.mark.parametrize("function", [demand_value, linear_deflection_ratio])
def test_a_single_demand_that_is_not_known_has_no_value(function, model):
    with pytest.raises(InputError, match="'freqency' is not known"):
        function(model, DEMANDS["kind"][0])
    with pytest.raises(InputError, match="case: 'wnid' is not known"):
        function(model, DEMANDS["case"][0])
    with pytest.raises(InputError, match="demand.force: is None"):
        function(model, DEMANDS["no force"][0])


def test_a_load_that_is_not_known_is_not_left_out(model):
    n = len(model.mesh.nodes)
    odd = lid(loads=(WIND, unchecked(WIND, kind="presure")))
    with pytest.raises(InputError, match="load of case wind: 'presure' is not known"):
        case_forces(odd, model.mesh, np.zeros(n), "wind")
    with pytest.raises(InputError, match="load of case wind"):
        check(replace(odd, demands=(DEFLECTION,)), SHEET, mesh_level="quick")


def test_a_case_that_is_not_known_is_not_a_case_without_load(model):
    n = len(model.mesh.nodes)
    with pytest.raises(InputError, match="case: 'gale' is not known .*wind"):
        case_forces(model.panel, model.mesh, np.zeros(n), "gale")
    mixed = unchecked(Combination("all", (("wind", 1.0),)), factors=(("gale", 2.0),))
    both = unchecked(model.panel, combinations=(mixed,))
    with pytest.raises(InputError, match="case: 'gale' is not known"):
        case_forces(both, model.mesh, np.zeros(n), "all")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "egde"}, r"support\[1\].kind: 'egde' is not known"),
        ({"hold": "clampd"}, r"support\[1\].hold: 'clampd' is not known .*pinned, clamped, guided"),
        ({"in_plane": "hled"}, r"support\[1\].in_plane: 'hled' is not known"),
    ],
    ids=["kind", "hold", "in plane"],
)
def test_a_support_that_is_not_known_holds_nothing_and_is_refused(change, message, model):
    panel = lid(supports=(unchecked(EDGE, **change),))
    for run in (in_plane_assumptions, lambda p: build_restraints(p, model.mesh)):
        with pytest.raises(InputError, match=message):
            run(panel)
    with pytest.raises(InputError, match=message):
        check(panel, SHEET, mesh_level="quick")


def test_an_assumption_that_is_not_known_is_refused():
    panel = lid()
    mesh = mesh_panel(panel, SHEET, mesh_level="quick")
    with pytest.raises(InputError, match="in-plane assumption: 'hold' is not known"):
        build_restraints(panel, mesh, "hold")
