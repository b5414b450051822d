"""The push test: safe loads, expected ranges, explanations of readings that come from a panel built otherwise."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import B16, SHEET, Demand, Layout, Load, Support, lid, rows

from stiffen.errors import InputError
from stiffen.io.panel_file import starter_tools
from stiffen.model.material import materials
from stiffen.model.thickness_tolerance import NO_STANDARD, thickness_tolerance
from stiffen.proof.answer import AS_COMPUTED, SOFTER, STIFFER
from stiffen.proof.builds import Build, Hold, die_at_depth, other_holds, stated_holds
from stiffen.proof.explanations import DEPTH, NOTHING, THICKNESS
from stiffen.proof.measurements import Measured, PushReading, measured_from_dict, readings_form
from stiffen.proof.proof import make_proof
from stiffen.proof.proof_file import proof_document
from stiffen.proof.push_plan import PushPlan, mass_steps, plan_pushes
from stiffen.proof.responses import Push, Responses
from stiffen.shop.bead_section import half_profile, profile_points

SOFT = Demand("softness", 1.0, force=10.0)
PANEL = lid(240.0, 160.0, demands=(SOFT,), supports=(Support("edge", in_plane="free"),))
LAYOUT = Layout(1.0, rows(B16, (50.0, 110.0), 30.0, 210.0))
FLAT = Layout(1.0)
PUSHES = (Push("A", (120.0, 80.0), 1.0, 40.0), Push("B", (70.0, 80.0), 1.0, 40.0))
PLAN = PushPlan(PUSHES, 40.0, "softness 10 N")
QUIET = lambda fraction, message: None  # noqa: E731


@pytest.mark.parametrize(
    "name, t, mm, standard",
    [
        ("5754-H111", 1.0, 0.08, "EN 485-4"),  # group II, over 1000 up to 1250 mm wide
        ("1050A-H14", 1.0, 0.06, "EN 485-4"),  # group I
        ("5754-H111", 2.0, 0.13, "EN 485-4"),
        ("DC01", 0.8, 0.05, "EN 10131"),  # yield below 260 MPa, over 1200 up to 1500 mm wide
        ("DX51D", 1.5, 0.11, "EN 10143"),
        ("304", 1.0, 0.07, "EN 10259"),
    ],
)
def test_tolerance_is_that_of_the_standard(name, t, mm, standard):
    found = thickness_tolerance(materials()[name], t)
    assert (found.mm, found.standard) == (mm, standard)


def test_a_metal_without_a_table_is_said_to_have_none():
    assert thickness_tolerance(materials()["Ti grade 2"], 1.0).standard == NO_STANDARD


@pytest.mark.parametrize("die", starter_tools().bead_dies, ids=lambda die: die.name)
@pytest.mark.parametrize("ratio", [0.55, 0.7, 0.9, 1.05])
def test_a_shallower_bead_has_the_depth_asked_for(die, ratio):
    changed = die_at_depth(die, ratio * die.depth)
    assert profile_points(changed)[:, 1].max() == pytest.approx(ratio * die.depth)
    assert changed.width == die.width
    assert changed.run_out_length == pytest.approx(die.run_out_length)
    assert half_profile(changed).theta > 0


def test_steps_are_even_and_never_above_the_safe_mass():
    assert mass_steps(16.0) == (5.0, 10.0, 15.0)
    assert mass_steps(1.02) == (0.5, 1.0)
    for kg in np.linspace(0.2, 30.0, 60):
        assert mass_steps(kg)[-1] <= kg + 1e-9


def test_no_push_is_above_the_softness_demand():
    plan = plan_pushes(PANEL, LAYOUT, "coarse", QUIET)
    assert plan.pushes
    assert max(push.force for push in plan.pushes) <= 10.0
    assert plan.pushes[0].at == pytest.approx((120.0, 80.0), abs=40.0)  # the middle strip, between the beads


@pytest.mark.slow
def test_a_push_gives_no_more_deflection_and_stress_than_the_case_asks_for():
    from stiffen.proof.responses import pushed_model

    panel = replace(PANEL, loads=(Load("wind", "pressure", 2e-3),), demands=(Demand("deflection", 3.0, "wind"),))
    plan = plan_pushes(panel, LAYOUT, "coarse", QUIET)
    largest = [push for push in plan.pushes if push.place == "A"][-1]
    model = pushed_model(panel, LAYOUT, Build(1.0), (largest,), "coarse")
    assert largest.force <= 2e-3 * 240 * 160
    assert np.abs(model.deflection(largest.case)).max() <= np.abs(model.deflection("wind")).max()
    assert model.stress(largest.case).max() <= model.stress("wind").max()


def test_a_panel_with_a_frequency_demand_alone_gets_no_mass():
    plan = plan_pushes(replace(PANEL, demands=(Demand("frequency", 40.0),)), LAYOUT, "quick", QUIET)
    assert plan.pushes == ()
    assert "no demand" in plan.why_none


def test_a_small_push_on_flat_sheet_goes_with_the_cube_of_the_thickness():
    """Plate theory: w is proportional to 1/t3 for a deflection small against t."""
    light = (replace(PUSHES[0], kg=0.02),)
    responses = Responses(PANEL, FLAT, light, "quick")
    ratio = responses.of(Build(0.9)) / responses.of(Build(1.0))
    assert ratio[0] == pytest.approx(0.9**-3, rel=0.005)


def reading_of(build, responses, factor=1.0):
    return tuple(
        PushReading(push.place, push.kg, (float(factor * mm),))
        for push, mm in zip(responses.pushes, responses.of(build), strict=True)
    )


@pytest.fixture(scope="module")
def responses():
    return Responses(PANEL, LAYOUT, PUSHES, "coarse")


def proof_of(measured):
    return make_proof(PANEL, LAYOUT, PLAN, measured, mesh_level="coarse", varied_mesh="coarse")


def test_readings_of_the_panel_as_drawn_are_as_computed(responses):
    found = proof_of(Measured((1.0,), {"B16": (4.0,)}, reading_of(Build(1.0), responses)))
    assert found.answer.state == AS_COMPUTED
    assert any(one.varied == NOTHING and one.build.hold == Hold() for one in found.answer.fitting)


@pytest.mark.slow
def test_a_measured_thickness_leaves_the_depth_to_explain(responses):
    truth = Build(0.95, (("B16", 2.8),))
    found = proof_of(Measured((0.95,), {}, reading_of(truth, responses)))
    assert found.answer.state == SOFTER
    depths = [one for one in found.answer.fitting if one.varied == DEPTH]
    assert depths and not any(one.varied == THICKNESS for one in found.answer.explanations)
    stated = next(one for one in depths if one.build.hold == Hold())
    assert stated.low * 4.0 <= 2.8 <= stated.high * 4.0
    assert stated.value * 4.0 == pytest.approx(2.8, abs=0.15)


@pytest.mark.slow
def test_one_push_leaves_several_explanations_and_the_measured_ones_single_out_the_truth(responses):
    truth = Build(1.0, (("B16", 3.0),))
    blind = proof_of(Measured((), {}, reading_of(truth, responses)[:1]))
    assert len(blind.answer.fitting) >= 2
    assert {one.varied for one in blind.answer.fitting} >= {THICKNESS, DEPTH}
    seen = proof_of(Measured((1.0,), {"B16": (3.0,)}, reading_of(truth, responses)))
    assert seen.answer.fitting
    assert all(one.varied == NOTHING for one in seen.answer.fitting)
    assert seen.answer.state == AS_COMPUTED


@pytest.mark.slow
def test_a_stiffer_panel_is_called_stiffer_and_held_edges_explain_a_held_panel():
    stout = lid(240.0, 160.0, demands=(replace(SOFT, force=200.0),), supports=(Support("edge", in_plane="free"),))
    heavy = tuple(replace(push, kg=20.0) for push in PUSHES)
    responses = Responses(stout, FLAT, heavy, "coarse")
    held = Build(1.0, (), Hold("held"))
    measured = Measured((1.0,), {}, reading_of(held, responses, 0.98))
    found = make_proof(
        stout, FLAT, PushPlan(heavy, 40.0, ""), measured, mesh_level="coarse", varied_mesh="coarse"
    ).answer
    assert [one.build.hold for one in found.fitting] == [Hold("held")]
    thick = Build(1.25, (), Hold("held"))
    measured = Measured((1.0,), {}, reading_of(thick, responses))
    assert (
        make_proof(
            stout, FLAT, PushPlan(heavy, 40.0, ""), measured, mesh_level="coarse", varied_mesh="coarse"
        ).answer.state
        == STIFFER
    )


@pytest.mark.slow
def test_the_range_narrows_once_thickness_and_depth_are_measured():
    open_range, narrow = proof_of(Measured()).expected, proof_of(Measured((1.0,), {"B16": (4.0,)})).expected
    assert (narrow.high - narrow.low < 0.8 * (open_range.high - open_range.low)).all()
    assert (open_range.low < open_range.value).all() and (open_range.value < open_range.high).all()
    assert "EN 485-4" in proof_of(Measured()).expected.parts[0].words


@pytest.mark.slow
def test_what_explains_the_readings_is_evaluated_for_the_demands(responses):
    found = proof_of(Measured((), {}, reading_of(Build(0.85), responses))).answer
    assert len(found.consequences) == len(found.fitting)
    assert all(one.demands[0].label == "softness 10 N" for one in found.consequences)


def test_unknown_holds_are_both_stated():
    unknown = replace(PANEL, supports=(Support("edge"),))
    assert [hold.in_plane for hold in stated_holds(unknown)] == ["held", "free"]
    assert Hold("held") in other_holds(PANEL) and Hold("free") not in other_holds(PANEL)


@pytest.mark.parametrize(
    "data, where, what",
    [
        ({"push": [{"place": "A", "kg": -1.0, "mm": [0.3]}]}, "push[1].kg", "more than 0"),
        ({"push": [{"place": "A", "kg": 1.0, "mm": [-0.3]}]}, "push[1].mm[1]", "more than 0"),
        ({"push": [{"place": "A", "kg": 1.0, "mm": 0.3}]}, "push[1].mm", "not a list"),
        ({"thicknes": [1.0]}, "thicknes", "is not a key"),
        ({"thickness": [float("nan")]}, "thickness[1]", "not a finite number"),
    ],
)
def test_faulty_values_are_told_with_their_place(data, where, what):
    with pytest.raises(InputError) as caught:
        measured_from_dict(data)
    assert any(fault.where == where and what in fault.what for fault in caught.value.faults)


@pytest.mark.parametrize(
    "measured, what",
    [
        (Measured((), {}, (PushReading("D", 1.0, (0.3,)),)), "no place of the push test"),
        (Measured((), {}, (PushReading("A", 2.0, (0.3,)),)), "more than the 1 kg that is safe"),
        (Measured((), {}, (PushReading("A", 0.7, (0.3,)),)), "no mass of place A"),
        (Measured((3.0,)), "the sheet has 1 mm"),
        (Measured((), {"B99": (3.0,)}), "no die of this layout"),
        (Measured((), {"B16": (9.0,)}), "the die makes 4 mm"),
    ],
)
def test_values_that_are_not_of_this_panel_are_refused(measured, what):
    with pytest.raises(InputError, match=what):
        proof_of(measured)


def test_the_form_is_read_back_as_nothing_measured():
    import tomllib

    assert not measured_from_dict(tomllib.loads(readings_form(LAYOUT, PUSHES))).any


def test_the_document_is_plain_and_holds_the_answer(responses):
    import json

    from stiffen.io.files import json_text

    document = json.loads(
        json_text(proof_document(proof_of(Measured((1.0,), {"B16": (4.0,)}, reading_of(Build(1.0), responses)))))
    )
    assert document["answer"]["comparisons"][0]["name"] == "A, 1 kg"
    assert SHEET.name == "soft sheet"
