"""Neighbours condensed to springs against the whole; what holds an edge; a build judged as one thing."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.builds import fitted, panel_text, rectangle
from threadpoolctl import threadpool_info

from stiffen.analysis.loads import case_forces
from stiffen.analysis.panel_model import meshed_model
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.assembly.build_file import read_build
from stiffen.assembly.designs import designs
from stiffen.assembly.fitted_build import fitted_build
from stiffen.errors import InputError
from stiffen.fem.blas_threads import start_job
from stiffen.joined.condensed import condensation
from stiffen.joined.edge_hold import changed_joint, edge_holds
from stiffen.joined.evaluation import evaluate_build
from stiffen.joined.joined_model import JoinedModel
from stiffen.joined.joining import joined_model
from stiffen.joined.neighbours import PanelsOnNeighbours, on_neighbours
from stiffen.joined.panel_inside import panel_inside
from stiffen.joined.panel_jobs import panel_jobs
from stiffen.joined.workers import sent_to, started, unpacked
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand
from stiffen.optimise.search.build_search import search_build

TUB = Path(__file__).parents[2] / "examples" / "load_tub" / "tub.toml"
PUSH = """
[[load]]
case = "push"
kind = "pressure"
value = {value}

[[demand]]
kind = "deflection"
case = "push"
limit = {limit}

[[demand]]
kind = "frequency"
limit = 40
"""
FOOT = '\n[[support]]\nkind = "edge"\npath = [[0, 0], [260, 0]]\nhold = "clamped"\nin_plane = "held"\n'
SEAM = '\n[[joint]]\npart = "lid"\nrow = [[{x}, 10], [{x}, 190]]\nmates = ["{mate}"]\npitch = 30\ndiameter = 3.2\n'
SEAM += 'in_plane = "{in_plane}"\n'


def portal(folder, value=5e-4, limit=1.0, in_plane="unknown"):
    """A lid on the flanges of two walls that stand clamped: nothing else holds the lid."""
    folder.mkdir(exist_ok=True)
    lid = panel_text("lid", rectangle(300, 200), 0.8, PUSH.format(value=value, limit=limit))
    wall = panel_text("wall", rectangle(200, 120), 1.0)
    wall += "\n[[fold]]\nline = [[0, 100], [200, 100]]\nangle = 90\nradius = 1.5\n" + FOOT.replace("260", "200")
    build = '[[panel]]\nfile = "lid.toml"\nplace = {origin = [0, 0, 100]}\n'
    build += '[[panel]]\nfile = "wall.toml"\nname = "near"\n'
    build += 'place = {origin = [0, 0, Z], x = [0, 1, 0], y = [0, 0, 1], face = "down"}\n'
    build += '[[panel]]\nfile = "wall.toml"\nname = "far"\n'
    build += 'place = {origin = [300, 200, Z], x = [0, -1, 0], y = [0, 0, 1], face = "down"}\n'
    # the top of the flange: fold line at 100 in the flat, bend of 1.5 mm, sheet of 1 mm
    top = fitted(folder, {"wall": wall}, '[[panel]]\nfile = "wall.toml"\nplace = {x = [0, 1, 0], y = [0, 0, 1]}\n')
    z = float(top.parts["wall"].surface(np.array([[100.0, 112.0]]))[0][0, 2])
    build = build.replace("Z", f"{100 - z - 0.5}")
    build += "".join(SEAM.format(x=x, mate=mate, in_plane=in_plane) for x, mate in ((10, "near"), (290, "far")))
    return fitted(folder, {"lid": lid, "wall": wall}, build)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The portal, quick mesh."""
    return joined_model(portal(tmp_path_factory.mktemp("portal")), mesh_level="quick")


def lid_forces(model):
    own = model.parts["lid"].own
    return case_forces(own.panel, own.mesh, own.shell.nodal_mass, "push")


def test_a_panel_on_condensed_neighbours_deflects_as_in_the_whole(whole):
    """Static condensation is exact: deflection, softness at places, and the loads of the rivets."""
    inside = condensation(whole)
    model = panel_inside(inside, "lid", follow_whole=False)
    forces = lid_forces(whole)
    pushes = np.stack([forces, model.push_forces((150, 100), 10), model.push_forces((20, 30), 10)], axis=1)
    alone = model.linear_model.solve(pushes)
    result = whole.solve({"lid": pushes})
    assert np.abs(alone - result.of("lid")).max() < 1e-6 * np.abs(alone).max()
    rivets = inside.tie_forces("lid", alone[:, 0])
    shear, pull = whole.solve({"lid": forces}).rivet_loads()
    assert np.hypot(rivets[:, 0], rivets[:, 1]) == pytest.approx(shear, rel=1e-5, abs=1e-6)
    assert np.abs(rivets[:, 2]) == pytest.approx(np.abs(pull), rel=1e-5, abs=1e-6)


def test_a_job_for_a_worker_cannot_change_once_it_is_sent(whole):
    """An executor's own thread pickles later, while this process goes on to factorise the same build."""
    inside = condensation(whole)
    here, sent = (panel_jobs(whole, sent_to(executor, inside), None)[0] for executor in (None, ThreadPoolExecutor(1)))
    assert here.inside is inside and isinstance(sent.inside, bytes)
    assert (sent.name, sent.case, sent.demands) == ("lid", "push", (0,))
    there = unpacked(sent.inside)
    assert there.neighbours("lid") == pytest.approx(inside.neighbours("lid"))
    assert "linear_model" not in there.model.__dict__


def test_jobs_of_workers_run_with_one_blas_thread():
    """The BLAS threads of several workers wait for each other's cores."""

    def threads(_: None) -> set[int]:
        return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}

    for executor in (None, ThreadPoolExecutor(1)):
        (found,) = [wait() for wait in started(threads, [None], executor)]
        assert found == {1}
        assert start_job(executor, threads, None)() == {1}


def test_a_build_with_other_springs_is_not_meshed_again(whole):
    """What ties and meshes make alone is shared; the order of elimination too, as the same nodes are coupled."""
    freed = changed_joint(whole, "lid", whole.ties[0].joint, hold=False)
    assert freed.shell is whole.shell and freed.deformations is whole.deformations
    assert freed.linear_model._dissection is whole.linear_model._dissection
    assert freed.tie_springs.min() < whole.tie_springs.min()


@pytest.mark.slow
def test_large_deflection_inside_a_build_is_that_of_the_whole(whole):
    """The lid bends to eleven times its thickness; in the whole the walls bend as far as they will too."""
    model = panel_inside(condensation(whole), "lid", follow_whole=False)
    forces = 2 * lid_forces(whole)
    path = whole.equilibrium_path({"lid": forces})
    moved = path.end_state.displacements[whole.first_node["lid"] :][: len(model.normals)]
    w = moved @ whole.parts["lid"].rotation
    linear = model.linear_model.solve(forces)
    own = np.abs(model._trace_path(forces, linear, 1.0).end_state.displacements[:, 2]).max()
    assert abs(own / np.abs(model.normal_displacement(linear)).max() - 1) > 0.03
    assert own == pytest.approx(np.abs(w[:, 2]).max(), rel=0.01)


@pytest.mark.slow
def test_a_rigid_neighbour_holds_and_rivets_that_slide_do_not(whole):
    """A wall that cannot move holds the edge; slotted holes do not; the wall as it is lies between."""
    demand = Demand("deflection", limit=1.0, case="push")
    far = whole.parts["far"]
    rigid = replace(far, fixed=np.arange(far.shell.dof_count))
    shares = {}
    for name, model in (
        ("rigid", JoinedModel({**whole.parts, "far": rigid}, whole.ties)),
        ("slides", changed_joint(whole, "lid", 2, hold=False)),
    ):
        hold = edge_holds(condensation(model), "lid", demand, {2: ("far",)})()[0]
        assert hold.held <= hold.build * 1.001 and hold.build <= hold.free * 1.001
        shares[name] = hold.share
    assert shares["rigid"] > 0.95
    assert abs(shares["slides"]) < 0.02


@pytest.mark.slow
def test_the_build_is_judged_as_one(tmp_path):
    built = portal(tmp_path)
    found = evaluate_build(built, mesh_level="quick")
    alone, wide = found.panels["lid"].demands
    model = panel_inside(condensation(joined_model(built, mesh_level="quick")), "lid")
    assert alone.value == pytest.approx(np.abs(model.deflection("push")).max())
    assert found.deflections["lid"][1].max() == pytest.approx(alone.value)
    assert not found.met and not alone.met
    hertz, _ = joined_model(built, mesh_level="quick").modes(3)
    assert found.modes[0].hertz < hertz[0]  # the air moves along
    assert found.modes[0].hertz == pytest.approx(hertz[0], rel=0.2)
    assert wide.value in [mode.hertz for mode in found.modes if "lid" in mode.parts]
    assert {one.joint for one in found.rivets} == {1, 2}
    total = 5e-4 * 300 * 200
    assert all(0 < np.hypot(one.shear, one.pull) < total for one in found.rivets)
    assert {(one.panel, one.joint) for one in found.holds} == {("lid", 1), ("lid", 2)}
    assert found.holds[0].share == pytest.approx(found.holds[1].share, abs=0.05)  # both walls are alike


def test_a_build_that_may_drift_is_held_unless_a_load_drives_it(whole):
    """Feet free along their line: the portal may slide in y; pressure on the lid does not drive it, a pull does."""
    sliding = {}
    for name, part in whole.parts.items():
        keep = part.fixed[part.fixed % 6 != 1] if name != "lid" else part.fixed
        sliding[name] = replace(part, fixed=keep)
    model = JoinedModel(sliding, whole.ties)
    assert [motion for _, motion in model.loose_motions()] == ["slide along y"]
    steady, drifts = model.steadied()
    assert drifts.shape[1] == 1
    deflection = np.abs(steady.solve({"lid": lid_forces(whole)}).normal("lid")).max()
    assert deflection == pytest.approx(np.abs(whole.solve({"lid": lid_forces(whole)}).normal("lid")).max(), rel=0.02)
    with pytest.raises(InputError, match="it is not held"):
        JoinedModel(model.parts, model.ties[:1]).steadied()


def test_a_panel_on_its_neighbours_can_be_judged_by_itself(tmp_path):
    """What a search takes: deflection and softness of the lid, meshed as a panel, against the whole within 5 %."""
    built = portal(tmp_path)
    model = joined_model(built, mesh_level="quick")
    lid = replace(on_neighbours(built, condensation(model), "lid"), demands=(Demand("softness", 0.5, force=1),))
    assert in_plane_assumptions(lid) == ("build",)
    assert in_plane_assumptions(replace(lid, neighbours=None)) == ("held", "free")  # by itself nobody knows
    alone = meshed_model(lid, lid.layout(), "quick", "build")
    inside = panel_inside(condensation(model), "lid")
    forces = alone.linear_solution("push")[0]
    w = np.abs(alone.normal_displacement(alone.linear_model.solve(forces))).max()
    whole = np.abs(model.solve({"lid": lid_forces(model)}).normal("lid")).max()
    assert w == pytest.approx(whole, rel=0.05)
    for place in ((150.0, 100.0), (150.0, 5.0), (30.0, 100.0)):
        assert alone.softness_at(place) == pytest.approx(inside.softness_at(place), rel=0.05)
    loads = alone.fastener_loads("push")
    whole_pull = 5e-4 * 300 * 200
    assert sum(pull for _, pull in loads.values()) >= whole_pull * 0.99  # rivets carry all of it, some pry


def test_a_build_without_places_is_refused(tmp_path):
    files = {"lid": panel_text("lid", rectangle(100, 100))}
    with pytest.raises(InputError, match="no panel has a place"):
        evaluate_build(fitted(tmp_path, files, '[[panel]]\nfile = "lid.toml"\n'))


@pytest.mark.slow
def test_a_panel_held_as_the_build_holds_it_is_searched_beside_its_neighbours_twice(tmp_path):
    """The lid has to find beads on the walls as they are; what the search says of it holds in the whole within 5 %."""
    built = portal(tmp_path, value=1e-4, limit=0.35, in_plane="build")
    groups = designs(built)
    lid = next(one for one in groups if one.name == "lid")
    panels = PanelsOnNeighbours(built.build, groups)
    assert panels.asking(lid)
    assert not PanelsOnNeighbours(portal(tmp_path / "other").build, groups).asking(lid)
    told = []
    found = search_build(
        [lid], on_found=lambda design, result: told.append(result), effort="quick", mesh_level="quick", panels=panels
    )
    verdict = found.results["lid"].verdict
    assert len(told) == 2 and told[1] is found.results["lid"]
    assert verdict.met and verdict.layout.beads
    assert {one.in_plane for one in verdict.demands} == {"build"}
    whole = evaluate_build(built, {"lid": verdict.layout}, mesh_level="quick", holds=False)
    assert whole.panels["lid"].demands[0].value == pytest.approx(verdict.demands[0].value, rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "case"), [("floor and back", "climb"), ("side left", "box")])
def test_the_tub_on_neighbours_as_springs_is_the_tub_followed_whole(name, case):
    """Flat in 0.8 mm; deflections of nine and ten thicknesses, in the whole the neighbours bend far too."""
    build = read_build(TUB)
    flat = {part.name: Layout(0.8) for part in build.panels}
    model, _ = joined_model(fitted_build(build), flat, mesh_level="quick").steadied()
    inside = condensation(model)
    whole, springs = (panel_inside(inside, name, follow_whole=follow) for follow in (True, False))
    w = np.abs(whole.deflection(case)).max()
    assert w > 5 * whole.layout.gauge
    assert np.abs(springs.deflection(case)).max() == pytest.approx(w, rel=0.05)
