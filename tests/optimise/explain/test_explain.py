"""What each part adds, what would help, what the other face would save: by outside values and physical laws."""

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from shapely.geometry import Polygon
from support.panels import B16, B20, L50, lid, rows

from stiffen.analysis.evaluation import check
from stiffen.analysis.screening import quick_utilisations
from stiffen.io.result_json import result_document
from stiffen.model.explanation import (
    SHELL,
    SURROGATE,
    SURROGATE_AND_SHELL,
    Estimate,
    Explanation,
    HelpfulChange,
    OtherFace,
)
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Demand, Load, Support
from stiffen.model.results import FlatSheetBaseline, SearchResult
from stiffen.optimise.explain.changes import _with_flange, changes, free_edges, stay_lines
from stiffen.optimise.explain.estimator import Estimator
from stiffen.optimise.explain.explaining import explain, helpful_changes, other_face
from stiffen.optimise.explain.part_worth import part_worths, parts
from stiffen.output.report.explanation_sections import face_section, help_lines, help_section, part_section, shade_of
from stiffen.output.report.shop_card import card_text
from stiffen.shop.process_plan import BENCH_MINUTES
from stiffen.shop.roller_settings import rolling_depths

PLAIN = lid(demands=(Demand("frequency", 40.0),), loads=())
THREE = Layout(1.0, rows(B16, (100.0, 200.0, 300.0)))
SHELF = replace(PLAIN, supports=(Support("edge", "clamped", in_plane="free", path=((0.0, 0.0), (500.0, 0.0))),))


def quick(panel, layout):
    return check(panel, layout, mesh_level="quick", mesh_error=False)


@pytest.fixture(scope="module")
def three():
    return quick(PLAIN, THREE)


# ------------------------------------------------------------------------------------------------------------ each part


def test_what_a_bead_adds_agrees_with_the_shell(three):
    """The calibrated surrogate against the shell itself on the layout without the bead: 5 % (measured 1 %)."""
    worths = part_worths(Estimator(PLAIN, three))
    assert [one.beads for one in worths] == [(bead,) for bead in THREE.beads]
    for one in worths:
        rest = replace(THREE, beads=tuple(bead for bead in THREE.beads if bead not in one.beads))
        (shell,) = quick_utilisations(PLAIN, rest)
        assert one.without.utilisation == pytest.approx(shell, rel=0.05)
        assert one.share == pytest.approx(one.without.utilisation / three.utilisation - 1)
        assert one.without.model == SURROGATE
    assert worths[1].share > worths[0].share > 0, "the middle bead lies where the first mode bends most"
    assert worths[0].share == pytest.approx(worths[2].share, abs=0.01), "mirror images add the same"


def test_what_a_bead_adds_to_a_stress_is_asked_of_the_shell():
    """The surrogate's largest stress is local: on a bulkhead it saw 0 % where the shell saw 13 %."""
    stress, frequency = Demand("stress", 1.5, "wind"), Demand("frequency", 40.0)
    panel = replace(lid(), demands=(stress,))
    (one, *_) = part_worths(Estimator(panel, quick(panel, THREE)))
    (rest,) = quick_utilisations(panel, replace(THREE, beads=THREE.beads[1:]))
    assert one.without.model == SHELL and one.without.utilisation == pytest.approx(rest, rel=0.01)
    panel = replace(lid(), demands=(frequency, stress))  # the frequency by the surrogate, each in its place
    (other, *_) = part_worths(Estimator(panel, quick(panel, THREE)))
    assert other.without.model == SURROGATE_AND_SHELL
    hertz = quick_utilisations(replace(panel, demands=(frequency,)), replace(THREE, beads=THREE.beads[1:]))[0]
    assert frequency.utilisation(other.without.values[0]) == pytest.approx(hertz, rel=0.05)
    assert other.without.values[1] == pytest.approx(one.without.values[0], rel=1e-6)


def test_what_a_bead_adds_is_the_same_by_workers(three):
    panel = replace(lid(), demands=(Demand("frequency", 40.0), Demand("stress", 1.5, "wind")))
    verdict = quick(panel, THREE)
    with ThreadPoolExecutor(2) as executor:
        assert part_worths(Estimator(panel, verdict, executor)) == part_worths(Estimator(panel, verdict))


def test_beads_that_add_little_each_are_told_together_too():
    beads = (*THREE.beads, *rows(B16, (40.0, 360.0), 40.0, 70.0))
    worths = part_worths(Estimator(PLAIN, quick(PLAIN, Layout(1.0, beads))))
    assert len(worths) == 6
    assert worths[-1].beads == beads[3:]
    assert abs(worths[-1].share) < 0.05


def test_holes_are_told_by_rows():
    grid = tuple(Hole(L50, (x, y)) for y in (100.0, 300.0) for x in (100.0, 200.0, 300.0))
    lone = Hole(L50, (430.0, 200.0), "down")
    assert {holes for _, holes in parts(Layout(1.0, (), (*grid, lone)))} == {grid[:3], grid[3:], (lone,)}
    (worth,) = part_worths(Estimator(PLAIN, quick(PLAIN, Layout(1.0, (), grid[:3]))))
    assert worth.mass_kg == pytest.approx(PLAIN.mass(Layout(1.0)) - PLAIN.mass(Layout(1.0, (), grid[:3])))
    assert worth.mass_kg > 0
    each = sum(BENCH_MINUTES[name].minutes for name in ("mark", "pilot_hole", "flare"))
    assert worth.minutes == pytest.approx(3 * each)


def test_a_bead_costs_its_rolling_and_the_last_of_a_die_its_die_change_too(three):
    """Minutes by hand from the times of the bench: marking, set-up, passes over the length, die change, trial strip."""
    for one in part_worths(Estimator(PLAIN, three)):
        (bead,) = one.beads
        passes = len(rolling_depths(PLAIN.tools, bead.die, PLAIN.material, 1.0))
        roller = PLAIN.tools.roller
        by_hand = BENCH_MINUTES["mark"].minutes + roller.set_up_minutes + passes * bead.length / roller.hand_speed
        assert by_hand - 1e-9 <= one.minutes <= by_hand + 2 * BENCH_MINUTES["turn_sheet"].minutes
    (alone,) = part_worths(Estimator(PLAIN, quick(PLAIN, Layout(1.0, THREE.beads[:1]))))
    least = roller.die_change_minutes + BENCH_MINUTES["trial_strip"].minutes
    cut_again = BENCH_MINUTES["cut_metre"].minutes * PLAIN.region.exterior.length / 1000
    assert alone.minutes == pytest.approx(by_hand + least + cut_again)
    text = card_text(PLAIN, three, explanation=explain(PLAIN, three))
    assert f"{one.minutes:.0f}" in text.split("costs min")[1].splitlines()[4]


# ----------------------------------------------------------------------------------------------------- what would help


def test_only_long_edges_that_nothing_holds_are_free():
    assert free_edges(PLAIN) == []
    assert free_edges(SHELF) == [
        ((500.0, 400.0), (0.0, 400.0)),
        ((500.0, 0.0), (500.0, 400.0)),
        ((0.0, 400.0), (0.0, 0.0)),
    ]
    riveted = Support("rivets", path=((490.0, 20.0), (490.0, 380.0)), pitch=40.0, diameter=4.0)
    assert ((500.0, 0.0), (500.0, 400.0)) not in free_edges(replace(SHELF, supports=(*SHELF.supports, riveted)))


def test_a_folded_edge_is_a_flange_on_the_beads_side():
    folded = _with_flange(SHELF, (500.0, 400.0), (0.0, 400.0))
    assert Polygon(folded.outline).area == pytest.approx(500 * 400 + 15 * 494, rel=1e-6)
    (fold,) = folded.folds
    assert fold.angle == 90.0
    assert {y for _, y in fold.line} == {400.0}
    assert _with_flange(replace(SHELF, bead_side="down"), (500.0, 400.0), (0.0, 400.0)).folds[0].angle == -90.0


def test_a_stay_runs_across_through_the_worst_place():
    verdict = quick(PLAIN, Layout(1.0))
    upright, lying = stay_lines(PLAIN, verdict)
    assert upright[0] == ((250.0, 0.0), (250.0, 400.0))
    assert lying[0] == ((0.0, 200.0), (500.0, 200.0))


def test_the_changes_keep_the_rules_and_each_says_what_it_is():
    verdict = quick(SHELF, Layout(1.0, rows(B16, (100.0, 200.0))))
    found = changes(SHELF, verdict)
    assert {one.kind for one in found} == {"gauge", "face", "hold", "fold", "stay", "die"}
    assert found[0].what == "the next sheet, 1.2 mm (not in the rack), with the same beads and holes"
    assert found[0].layout.gauge == 1.2
    assert any(one.what == "fold up the edge from X 500, Y 400 to X 0, Y 400 by 15 mm" for one in found)
    stay = next(one for one in found if one.kind == "stay")
    assert {y for _, y in stay.panel.supports[-1].path} in ({152.0}, {176.0}, {224.0}, {236.0}), (
        "between or beside beads"
    )
    face = next(one for one in found if one.kind == "face")
    assert {bead.side for bead in face.layout.beads} == {"down"}


@pytest.mark.slow
def test_what_helps_is_computed_and_holding_more_never_softens():
    """A shelf clamped along one edge that hums at 10 Hz; a further support can only raise a frequency (Rayleigh)."""
    verdict = quick(SHELF, Layout(1.0))
    told = helpful_changes(Estimator(SHELF, verdict))
    assert 2 <= len(told) <= 3
    assert all(one.estimate.values[0] > 1.03 * verdict.demands[0].value for one in told)
    assert all(one.estimate.model == SHELL for one in told)
    held = next(one for one in told if one.what.startswith(("hold the edge", "a stiff stay")))
    assert held.mass_kg == 0.0
    assert explain(SHELF, verdict).changes == told
    with ThreadPoolExecutor(2) as executor:
        assert helpful_changes(Estimator(SHELF, verdict, executor)) == told


# ------------------------------------------------------------------------------------------------------------ the faces


def foot(side):
    """500 x 400 x 1 mm with edges held, 400 N onto the up face, eight B20 beads on one face."""
    panel = lid(
        gauges=(1.0,),
        supports=(Support("edge", in_plane="held"),),
        loads=(Load("foot", "patch", 400.0, at=(250.0, 200.0), size=(100.0, 100.0)),),
        demands=(Demand("deflection", 5.0, "foot"),),
        bead_side=side,
    )
    places = (58.0, 118.0, 166.0, 226.0, 274.0, 334.0, 382.0, 442.0)
    return panel, Layout(1.0, tuple(Bead(B20, ((x, 22.04), (x, 377.96)), side) for x in places))


def test_the_other_face_of_a_foot_on_held_edges():
    """A second general finite-element program gives 3.92 mm away from the foot and 6.18 mm toward it."""
    panel, layout = foot("up")
    found = other_face(Estimator(panel, quick(panel, layout)))
    assert found.face == "down"
    assert found.same_gauge.values[0] == pytest.approx(3.92, rel=0.12)
    assert found.gauge is None, "there is no thinner sheet in the rack"


@pytest.mark.slow
def test_a_thinner_sheet_on_the_other_face_is_looked_for():
    """Edges free to draw in and small deflections: both faces are alike."""
    panel = replace(PLAIN, gauges=(0.8, 1.0), demands=(Demand("frequency", 25.0),))
    verdict = quick(panel, THREE)
    found = other_face(Estimator(panel, verdict))
    assert found.same_gauge.utilisation == pytest.approx(verdict.utilisation, rel=0.02)
    assert (found.gauge, found.estimate.met, found.estimate.model) == (0.8, True, SHELL)
    assert found.saved_kg == pytest.approx(0.2 * panel.mass(Layout(1.0)), rel=0.01)
    assert explain(replace(panel, bead_side="either"), verdict).other_face is None


# -------------------------------------------------------------------------------------------------------------- writing


HERE, THEN = Estimate((30.0,), 40 / 30, SHELL), Estimate((44.0,), 40 / 44, SHELL)
MADE_UP = Explanation(
    HERE,
    changes=(HelpfulChange("the next sheet, 1.2 mm, with the same beads and holes", THEN, 0.1),),
    other_face=OtherFace("down", Estimate((30.3,), 40 / 30.3), 0.8, Estimate((41.0,), 40 / 41, SHELL), 0.107),
)


def test_card_and_screen_tell_it(three):
    told = " ".join(card_text(PLAIN, three, explanation=MADE_UP).split())
    assert (
        "WHAT WOULD HELP 1. The next sheet, 1.2 mm, with the same beads and holes: frequency 44 Hz, limit 40; all "
        "demands met (shell, quick mesh), 0.100 kg more." in told
    )
    assert (
        "THE OTHER FACE Beads are asked for on the up face. The same beads proud down would do as well, within 3 %. On "
        "the down face 0.8 mm would do, 0.107 kg less (shell, quick mesh)." in told
    )
    assert list(help_lines(PLAIN, MADE_UP)) == [
        "would help: the next sheet, 1.2 mm, with the same beads and holes: frequency 44 Hz, limit 40; all demands met "
        "(shell, quick mesh)",
        "On the down face 0.8 mm would do, 0.107 kg less (shell, quick mesh).",
    ]
    missed = replace(MADE_UP, other_face=replace(MADE_UP.other_face, estimate=Estimate((20.0,), 2.0)))
    assert "On the down face 0.8 mm would not do either" in face_section(PLAIN, missed)[0]
    assert part_section(PLAIN, THREE, None) == help_section(PLAIN, None) == face_section(PLAIN, None) == []
    assert "WHAT WOULD HELP" not in card_text(PLAIN, three)


def test_the_table_the_shade_and_the_result_file_say_the_same(three):
    found = explain(PLAIN, three)
    table, note = part_section(PLAIN, THREE, found)
    assert table.head == ("without", "frequency, Hz", "adds", "costs min")
    assert [row[0] for row in table.rows] == ["as it is", "bead 1", "bead 2", "bead 3"]
    assert table.rows[2][2] == f"{100 * found.parts[1].share:+.0f} %"
    assert "surrogate" in note
    assert shade_of(found, THREE.beads[1]) == 1.0
    assert 0 < shade_of(found, THREE.beads[0]) < 1
    assert shade_of(None, THREE.beads[0]) is None
    result = SearchResult(three, three, FlatSheetBaseline(None, None), explanation=found)
    data = result_document(PLAIN, three, None, result)["explanation"]
    assert [part["share"] for part in data["parts"]] == [one.share for one in found.parts]
    assert math.isfinite(json.loads(json.dumps(data))["here"]["utilisation"])
