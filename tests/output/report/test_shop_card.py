"""The shop card: its content, its line width, and alerts before all else."""

import math
import re
from collections import Counter
from dataclasses import replace

import pytest
from shapely.affinity import rotate
from shapely.geometry import LineString, box
from support.pdf import read
from support.trike import B16, B20, FRAME, GOOD, L50, LAYOUT, PANEL, verdict

from stiffen.io.result_json import result_document
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import rated_thickness
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.panel import EdgeTrim
from stiffen.model.results import NONLINEAR, NOT_DECIDED, FastenerLoad, FlatSheetBaseline
from stiffen.model.tools import BeadDie, HoleDie, Trial
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.drawing.face_marking import build_marking
from stiffen.output.drawing.pdf import printed_width
from stiffen.output.drawing.primitives import Circle
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.output.report.card_sections.demand_section import demand_table
from stiffen.output.report.card_sections.sheet_section import mass_comparison
from stiffen.output.report.page_flow import write_pages
from stiffen.output.report.sections import Section, Table, columns
from stiffen.output.report.shop_card import card, card_text
from stiffen.output.report.shop_card_pdf import write_card
from stiffen.output.report.trial_strip import trial_passes
from stiffen.shop import flared_holes, process_plan, rollability, rough_blank, work_steps
from stiffen.shop.cautions import warning_lines
from stiffen.shop.rollability import in_rolling_order
from stiffen.shop.roller_settings import pass_depths, roller_settings, turns_text

RIVAL = FlatSheetBaseline(1.5, PANEL.mass(Layout(1.5)))
LIGHTER = FlatSheetBaseline(0.8, PANEL.mass(Layout(0.8)))


WORDY = GaugeOutcome(1.0, GaugeStatus.NOT_FOUND, miss=0.25, miss_by_surrogate=True)


def section(text, title):
    """The lines under one heading."""
    lines = text.splitlines()
    start = lines.index(title) + 1
    return lines[start : start + next(i for i, line in enumerate([*lines[start:], "END"]) if line and line[0] != " ")]


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_lines_are_at_most_100_wide(layout):
    text = card_text(
        PANEL, verdict(layout, warnings=["a very long warning " * 12]), flat_baseline=RIVAL, gauges=[WORDY]
    )
    assert max(map(len, text.splitlines())) <= 100
    assert text.isascii()


def test_sheet_and_masses_add_up():
    told = " ".join(" ".join(section(card_text(PANEL, GOOD, flat_baseline=RIVAL), "SHEET")).split())
    x, y = rough_blank.trim_allowance(PANEL, LAYOUT)
    assert "Buy: 5754-H111, 1 mm." in told
    assert "Bolt the roller down." in told
    assert f"Blank: {560 + 2 * x:.1f} x {380 + 2 * y:.1f} mm (rough cut)" in told
    assert "Finished, before folding: 560.0 x 380.0 mm" in told
    masses = dict(re.findall(r"(blank|removed|trimmed edge|cut-outs|flared holes|finished) ([0-9.]+) kg", told))
    assert float(masses["blank"]) - float(masses["removed"]) == pytest.approx(float(masses["finished"]), abs=0.0015)
    pieces = sum(float(masses[what]) for what in ("trimmed edge", "cut-outs", "flared holes"))
    assert pieces == pytest.approx(float(masses["removed"]), abs=0.002)
    assert float(masses["flared holes"]) == pytest.approx(2 * math.pi / 4 * 36.7**2 * 2.67e-6, abs=0.0006)
    assert float(masses["cut-outs"]) == pytest.approx(math.pi / 4 * 32**2 * 2.67e-6, abs=0.0006)
    assert float(masses["finished"]) == pytest.approx(GOOD.mass_kg, abs=0.0006)
    edge = (560 + 2 * x) * (380 + 2 * y) - 560 * 380  # without the rounded corners
    assert float(masses["trimmed edge"]) == pytest.approx(edge * 2.67e-6, abs=0.0015)


def test_edge_trim_comes_on_top():
    trimmed = replace(PANEL, trims=(EdgeTrim(0.25), EdgeTrim(0.1, ((20.0, 0.0), (520.0, 0.0)))))
    length = 2 * (560 + 380) - (8 - 2 * math.pi) * 15  # rounded corners
    told = card_text(trimmed, GOOD)
    assert f"Edge trim comes on top: {0.25 * length / 1000 + 0.05:.3f} kg" in told


def test_saving_is_the_difference_to_the_flat_sheet():
    less = RIVAL.mass_kg - GOOD.mass_kg
    assert f"{less:.3f} kg ({100 * less / RIVAL.mass_kg:.0f} %) lighter than the 1.5 mm flat sheet" in mass_comparison(
        GOOD, RIVAL
    )


def test_a_lighter_flat_sheet_is_said_first():
    text = card_text(PANEL, GOOD, flat_baseline=LIGHTER)
    assert text.splitlines()[2].startswith("A FLAT SHEET IS LIGHTER: 0.8 mm flat meets the demands")
    assert "HEAVIER" in mass_comparison(GOOD, LIGHTER)
    assert "A FLAT SHEET IS LIGHTER" not in card_text(PANEL, GOOD, flat_baseline=RIVAL)


def test_dies_that_may_crack_the_sheet_are_named_first():
    brittle = replace(PANEL, material=replace(PANEL.material, elongation=0.02, bend_radius=()))
    names = {bead.die.name for bead in GOOD.layout.beads}
    first = card_text(brittle, GOOD).splitlines()[2]
    assert first.endswith("may crack this sheet: try a scrap strip first; see the warnings.")
    assert set(first.removeprefix("Dies ").split(" may ")[0].split(", ")) == names
    ductile = replace(PANEL, material=replace(PANEL.material, elongation=0.6))
    assert "may crack" not in card_text(ductile, GOOD)


def test_no_flat_sheet_that_meets_the_demands():
    assert (
        mass_comparison(GOOD, FlatSheetBaseline(None, None, (1.0, 1.5)))
        == "no flat sheet in the rack meets the demands"
    )
    assert mass_comparison(GOOD, FlatSheetBaseline(None, None)) == "flat sheets were not evaluated"


def test_no_mass_is_saved_by_a_layout_that_misses_a_demand():
    missed = verdict(LAYOUT, deflection=2.0)
    assert "lighter" not in mass_comparison(missed, RIVAL)
    assert "1.5 mm flat sheet meets the demands" in mass_comparison(missed, RIVAL)


def test_missed_demands_are_said_first():
    text = card_text(PANEL, verdict(LAYOUT, deflection=2.0))
    assert text.splitlines()[2].startswith("NOT MET: deflection wind.")
    assert "NOT MET" not in card_text(PANEL, GOOD)


def test_turns_come_from_the_trial_strip_or_are_said_to_be_computed():
    lines = section(card_text(PANEL, GOOD), "TRIAL STRIP FIRST")
    strip, formula = ([line for line in lines if line.startswith(f"  {name}  ")][:1] for name in ("B16", "B20"))
    assert "trial strip" in strip[0]
    assert "formula" in formula[0]
    found = roller_settings(PANEL.tools, B20, PANEL.material, 1.0)
    assert (
        formula[0].split()[2:]
        == " ".join(f"{turns_text(one.turns)} ({one.depth:.1f} mm)" for one in found.passes).split()
    )
    assert strip[0].split()[-2] in ("(3.9", "(4.0", "(4.1")  # the full depth at the last pass, to an eighth of a turn
    assert "stiffen trial PANEL.toml --die B20 --gauge 1 --out DIR." in " ".join(" ".join(lines).split())


def test_no_strip_is_asked_for_where_all_readings_are_entered():
    readings = Trial("B20", "5754-H111", 1.0, (1.0, 4.0), (1.5, 5.5), 3)
    tools = replace(PANEL.tools, trials=(*PANEL.tools.trials, readings))
    text = card_text(replace(PANEL, tools=tools), GOOD)
    lines = " ".join(" ".join(section(text, "ROLLER SETTINGS")).split())
    assert "TRIAL STRIP" not in text
    assert "stiffen trial" not in text
    assert "trial strip" in lines
    shallow = replace(PANEL, tools=replace(tools, trials=(replace(readings, depth=(1.5, 3.5)),)))
    assert "TRIAL STRIP FIRST" in card_text(shallow, GOOD)


def test_the_strip_and_the_card_give_the_same_turns():
    """A strip of four passes or more is rolled at the very settings of the card."""
    hard = replace(PANEL, tools=replace(PANEL.tools, trials=()), material=replace(PANEL.material, yield_strength=185.0))
    die = BeadDie("V12", "vee", 12.0, 4.0, nose_radius=1.5, shoulder_radius=1.5)
    found = roller_settings(hard.tools, die, hard.material, 1.0)
    assert [(one.turns, one.depth) for one in found.passes] == [
        (one.turns, pytest.approx(one.depth)) for one in trial_passes(hard, die, 1.0)
    ]


def test_the_card_says_why_a_gauge_has_no_beads():
    flat = verdict(Layout(2.0))
    told = " ".join(card_text(PANEL, flat, gauges=[GaugeOutcome(2.0, GaugeStatus.FLAT)]).split())
    reason = "2 mm 5754-H111 is over the roller's rating of 1.61 mm for this material by 25 %"
    assert told.count(reason) == 1
    assert reason in " ".join(card_text(PANEL, GOOD, gauges=[GaugeOutcome(2.0, GaugeStatus.FLAT)]).split())
    assert "rating" not in card_text(PANEL, verdict(Layout(1.0)))


def test_strains_of_the_sheet_are_given_for_held_and_free_edges():
    """Arc 12 x 4: S - w = 3.29 mm (recomputed); 3.29/12 is 27 %, and 1 - 12/15.29 is 22 %."""
    layout = Layout(1.0, (Bead(BeadDie("deep", "round", 12, 4), ((60.0, 110.0), (500.0, 110.0))),))
    lines = section(card_text(PANEL, verdict(layout)), "TRIAL STRIP FIRST")
    assert "deep 10 27 % 22 % 3.3" in [" ".join(line.split()[:7]) for line in lines]


def test_a_die_that_punches_and_flares_needs_the_hole_of_its_bolt():
    drawn = replace(L50, name="P50", draw_bolt=12.5)
    layout = Layout(1.0, (), (Hole(drawn, (150.0, 160.0)),))
    assert re.search(r"P50 +up +1 +H1 +12\.5 +drill for bolt +42 +50 +4", card_text(PANEL, verdict(layout)))
    assert Circle("HOLE PILOT", (150.0, 160.0), 12.5) in build_marking(face_view(PANEL, layout, "up"), 3.0).items


def bead_rows(layout=LAYOUT):
    lines = section(card_text(PANEL, verdict(layout)), "BEADS, IN ROLLING ORDER")
    head = lines.index(next(line for line in lines if line.startswith("  ----")))
    return [line.split() for line in lines[head + 1 : lines.index("", head)]]


def test_beads_stand_in_rolling_order_with_ends_and_corners():
    rows = bead_rows()
    assert [row[0] for row in rows if len(row) > 5] == ["1", "2", "3"]
    by_order = [LAYOUT.beads[i] for i in rollability.rolling_order(PANEL, LAYOUT.beads)]
    for row, bead in zip((row for row in rows if len(row) > 5), by_order, strict=True):
        assert row[1:3] == [bead.die.name, bead.side]
        (x0, y0), (x1, y1) = bead.path[0], bead.path[-1]
        assert list(map(float, row[3:7])) == pytest.approx([x0, y0, x1, y1], abs=0.051)
        assert float(row[7]) == pytest.approx(bead.length, abs=0.51)
        assert int(row[8]) == len(pass_depths(bead.die, PANEL.material))
    assert [row for row in rows if len(row) == 3] == []


def test_via_points_and_arcs_stand_in_a_table_of_their_own():
    lines = [line.split() for line in section(card_text(PANEL, GOOD), "BEADS, IN ROLLING ORDER")]
    head = lines.index(["bead", "via", "X", "Y"])
    assert lines[head + 2 : head + 4] == [["3", "300.0", "290.0"], ["3", "400.0", "270.0"]]
    lines = [line.split() for line in section(card_text(PANEL, verdict(FRAME)), "BEADS, IN ROLLING ORDER")]
    assert ["bead", "via", "X", "Y", "centre", "X", "Y", "R"] in lines
    centres = {tuple(line[3:]) for line in lines if len(line) == 6 and line[0] == "1"}
    assert centres == {(x, y, "70.0") for x in ("130.0", "430.0") for y in ("170.0", "250.0")}


def test_frame_sides_and_reorientations_are_those_in_the_minutes():
    up = tuple(replace(bead, side="up") for bead in LAYOUT.beads)
    steep = Bead(B16, ((530.0, 100.0), (530.0, 300.0)))
    layout = Layout(1.0, (*up, steep, Bead(B16, ((500.0, 340.0), (250.0, 340.0)))))
    rows = [row for row in bead_rows(layout) if len(row) > 5]
    ordered = in_rolling_order(PANEL, layout).beads
    assert [row[9] for row in rows] == list(rollability.frame_sides(PANEL, ordered))
    turns = sum("turn sheet" in " ".join(row) for row in rows)
    assert turns == rollability.reorientations(PANEL, ordered) > 0


def test_the_card_says_how_far_the_sheet_is_turned():
    """Along x, then up y: a quarter turn.  Both along x near opposite edges, so the other side goes in: end for end."""
    quarter = Layout(1.0, (Bead(B16, ((60.0, 190.0), (500.0, 190.0))), Bead(B16, ((530.0, 100.0), (530.0, 300.0)))))
    assert any("turn sheet 90 deg" in " ".join(row) for row in bead_rows(quarter))
    shallow = replace(PANEL, tools=replace(PANEL.tools, roller=replace(PANEL.tools.roller, throat=200.0)))
    ends = Layout(1.0, tuple(Bead(B16, ((60.0, y), (500.0, y))) for y in (100.0, 300.0)))
    assert "turn sheet end for end" in card_text(shallow, verdict(ends))


def test_a_bead_rolled_from_the_other_face_names_the_side_as_seen_there():
    ordered = in_rolling_order(PANEL, LAYOUT).beads
    plan = rollability.frame_sides(PANEL, ordered)
    rows = [row for row in bead_rows() if len(row) > 5]
    swapped = {"left": "right", "right": "left"}
    for row, bead, side in zip(rows, ordered, plan, strict=True):
        assert row[9] == (side if bead.side == "up" else swapped[side])
    assert "other face up" in " ".join(rows[2])
    text = card_text(PANEL, GOOD)
    assert "UP face up in the roller, raised roll below: bead 1, 2." in text
    assert "DOWN face up in the roller, raised roll below: bead 3." in text


def test_holes_and_order_of_work_and_minutes():
    text = card_text(PANEL, GOOD)
    assert re.search(r"H2 +480\.0 +330\.0$", text, re.MULTILINE)
    (best, *_) = flared_holes.pilot_cuts(L50, PANEL.tools.cutters)
    assert re.search(rf"L50 +down +1 +H2 +36\.7 +{best.kind} {best.diameter:g} +42 +50 +4", text)
    told = " ".join(text.split())
    for step in work_steps.order_of_work(PANEL, in_rolling_order(PANEL, LAYOUT)):
        assert " ".join(step.split()) in told
    assert f"about {process_plan.minutes(PANEL, LAYOUT):.0f} in all" in text


@pytest.mark.parametrize("gauge", [0.8, 1.0, 1.2])
def test_the_minutes_told_add_up_to_their_sum(gauge):
    text = " ".join(card_text(PANEL, verdict(replace(LAYOUT, gauge=gauge))).split())
    total, shares = re.search(r"about (\d+) in all: ([^.]*)", text).groups()
    assert sum(map(int, re.findall(r"\d+", shares))) == int(total)


def test_the_most_loaded_rivet_is_named_with_what_it_uses_of_its_strength():
    assert "MOST LOADED RIVETS" not in card_text(PANEL, GOOD)
    strong = replace(PANEL.supports[0], strength=500.0)
    panel = replace(PANEL, supports=(strong, PANEL.supports[1]))
    loads = (
        FastenerLoad("wind", (10.0, 200.0), 30.0, 40.0, "held"),
        FastenerLoad("wind", (540.0, 50.0), 12.0, 5.0, "free"),
    )
    lines = section(card_text(panel, replace(GOOD, fastener_loads=loads)), "MOST LOADED RIVETS AND BOLTS")
    rows = [" ".join(line.split()) for line in lines]
    assert "wind 4 mm rivet 10.0 200.0 30 40 500 10.0 %" in rows  # 50 of 500 N
    assert "wind M6 bolt (6 mm) 540.0 50.0 12 5 not given -" in rows


def test_rivets_that_carry_more_than_is_common_are_told():
    panel = replace(PANEL, supports=(replace(PANEL.supports[0], strength=None),))
    heavy = FastenerLoad("wind", (10.0, 200.0), 900.0, 0.0, "held")
    words = "4 mm rivets carry up to 900 N. Aluminium blind rivets of this size commonly stand 850 to 1250 N"
    assert words in " ".join(card_text(panel, replace(GOOD, fastener_loads=(heavy,))).split())
    light = replace(heavy, shear=800.0)
    assert "commonly stand" not in card_text(panel, replace(GOOD, fastener_loads=(light,)))
    known = replace(panel, supports=(replace(panel.supports[0], strength=2000.0),))
    assert "commonly stand" not in card_text(known, replace(GOOD, fastener_loads=(heavy,)))


def test_cautions_are_always_there():
    text = " ".join(card_text(PANEL, verdict(Layout(1.0))).split())
    for words in ("proof-load", "qualified person", "local rules", "gloves and eye protection", "fingers"):
        assert words in text


def test_demands_come_with_deciding_theory_and_mesh_error():
    text = "\n".join(demand_table(verdict(LAYOUT, deflection=2.0, decided=NONLINEAR)))
    row = next(line for line in text.splitlines() if line.startswith("deflection wind"))
    assert " ".join(row.split()) == "deflection wind <= 1.5 mm 2 mm -33 % NOT MET large defl. 2.0 % - 2.00"
    assert "in their plane, the worse counts: deflection wind free 2 mm, held 1.6 mm" in text
    assert ">= 45 Hz" in text
    undecided = "\n".join(demand_table(verdict(LAYOUT, decided=NOT_DECIDED)))
    assert "not decided" in undecided


def test_a_limit_missed_by_a_hair_does_not_look_kept():
    missed = replace(GOOD.demands[0], value=1.5008, margin=-0.0008 / 1.5, met=False)
    row = demand_table(replace(GOOD, demands=(missed,)))[2]
    assert " ".join(row.split()).startswith("deflection wind <= 1.5 mm 1.5008 mm -0.05 % NOT MET")


def test_values_that_are_no_numbers_are_told_in_words():
    none = replace(GOOD.demands[0], value=math.nan, margin=math.nan, met=False)
    endless = replace(GOOD.demands[0], kind="buckling", unit="x", value=math.inf, margin=math.inf)
    text = "\n".join(demand_table(replace(GOOD, demands=(none, endless))))
    assert "nan" not in text
    assert "inf" not in text
    assert "none" in text


def test_broken_rules_stand_before_warnings_and_nothing_twice():
    close = Layout(1.0, (*LAYOUT.beads, Bead(B20, ((60.0, 112.0), (500.0, 112.0)))))
    lines = warning_lines(PANEL, verdict(close, warnings=["mind the clip", "mind the clip"]))
    assert lines[0].startswith("rule not kept: ")
    assert lines.count("mind the clip") == 1
    assert lines.index("mind the clip") > 0


def test_second_opinion_is_printed():
    told = replace(GOOD, second_opinion={"deflection wind": {"value": 1.12, "difference": 0.018}})
    row = next(line for line in card_text(PANEL, told).splitlines() if "deflection wind  " in line)
    assert "+1.8 %" in row


def test_card_says_that_no_second_opinion_was_taken_and_how_to_get_one():
    none = " ".join(card_text(PANEL, replace(GOOD, second_opinion=None)).split())
    assert "No second opinion was taken" in none and "pip install sfepy" in none
    assert "second shell element" not in none
    taken = card_text(PANEL, replace(GOOD, second_opinion={"deflection wind": {"value": 1.12, "difference": 0.018}}))
    assert "No second opinion" not in taken


def test_one_assumption_on_the_edges_is_said_once():
    same = tuple(replace(demand, by_in_plane_restraint={}, in_plane="held") for demand in GOOD.demands)
    assert "Edges in plane: held." in demand_table(replace(GOOD, demands=same))


def test_unknown_restraint_with_equal_values_is_not_called_held():
    same = tuple(
        replace(d, by_in_plane_restraint={"held": d.value, "free": d.value}, in_plane="held") for d in GOOD.demands
    )
    text = " ".join(demand_table(replace(GOOD, demands=same)))
    assert "Edges in plane: unknown; computed held and free, which give the same values." in text
    assert "plane: held." not in text


def test_a_demand_missed_by_the_mesh_error_says_so():
    close = replace(GOOD.demands[2], value=45.9, margin=0.02, met=False, mesh_error=0.03)
    missed = replace(GOOD, demands=(*GOOD.demands[:2], close))
    row = next(line for line in demand_table(missed) if line.startswith("frequency"))
    assert " ".join(row.split()).startswith("frequency >= 45 Hz 45.9 Hz +2 % NOT MET (mesh)")
    assert "by less than the mesh error; --mesh fine may settle it" in " ".join(demand_table(missed))
    assert "NOT MET: frequency (by less than the mesh error)." in card_text(PANEL, missed)


def test_a_buckling_factor_followed_only_to_its_limit_is_at_least_that():
    capped = replace(
        GOOD.demands[2], kind="buckling", label="buckling wind", unit="x", limit=1.5, value=1.5, margin=0.0
    )
    table = demand_table(replace(GOOD, demands=(replace(capped, decided_by=NONLINEAR),)))
    assert " ".join(table[2].split()).startswith("buckling wind >= 1.5 x >= 1.5 x >= +0 % met large defl.")
    assert ">=: the load was followed up to the limit and no further" in " ".join(table)
    snaps = replace(capped, decided_by=NONLINEAR, snap_through_factor=1.5)
    assert ">= 1.5 x 1.5 x +0 %" in " ".join(demand_table(replace(GOOD, demands=(snaps,)))[2].split())


def test_deflection_over_thickness_is_that_of_the_solution_that_decides():
    """3 mm by linear theory, 1.1 mm by large deflection, in 1 mm sheet."""
    one = replace(GOOD.demands[0], decided_by=NONLINEAR, deflection_over_thickness=3.0, decided_ratio=1.1)
    row = demand_table(replace(GOOD, demands=(one,)))[2]
    assert row.split()[-1] == "1.10"
    stored_before = replace(one, decided_ratio=None)
    assert demand_table(replace(GOOD, demands=(stored_before,)))[2].split()[-1] == "1.10"


def test_nothing_asked_is_not_called_met():
    nothing = replace(GOOD, demands=())
    assert demand_table(nothing) == ["nothing asked: the panel file makes no demand"]
    assert result_document(PANEL, nothing)["status"] == "nothing asked"
    assert "meets the demands" not in card_text(PANEL, nothing, flat_baseline=RIVAL)


def test_a_folded_part_has_a_flat_and_a_folded_size():
    """The fold of the hatch at y = 20, R 2, t 1: SB 3, BA pi/2 (2 + 0.447) = 3.84; flange 21.1, base 360 + 1.1 mm."""
    told = " ".join(section(card_text(PANEL, GOOD), "SHEET"))
    assert "Finished, before folding: 560.0 x 380.0 mm, flat." in told
    assert "Folded: base 560.0 x 361.1 mm outside, flanges outside fold 1 21.1 mm (90 degrees up)." in told
    assert "Finished: 560.0 x 380.0 mm, flat." in card_text(replace(PANEL, folds=()), GOOD)


def test_the_card_says_where_the_worst_push_stands():
    pushed = replace(GOOD.demands[1], at=(312.0, 145.5))
    text = " ".join(card_text(PANEL, replace(GOOD, demands=(pushed,))).split())
    assert "Worst places, mm from the datum corner: softness 10 N at X 312.0, Y 145.5." in text


def test_the_card_says_why_there_are_no_beads():
    flat = " ".join(card_text(PANEL, verdict(Layout(1.0))).split())
    assert "No beads: the sheet meets all demands without." in flat
    thick = " ".join(card_text(PANEL, verdict(Layout(3.0))).split())
    rated = rated_thickness(PANEL.material, PANEL.tools.roller.rated_steel)
    assert (
        f"No beads: the sheet meets all demands without; 3 mm 5754-H111 is over the roller's rating of {rated:.2f}"
    ) in thick
    assert "No beads" not in card_text(PANEL, GOOD)
    outcome = GaugeOutcome(3.0, GaugeStatus.NOT_TRIED)
    other = " ".join(card_text(PANEL, GOOD, gauges=[outcome]).split())
    assert "3 mm: not tried: time was up. No beads: 3 mm 5754-H111 is over the roller's rating" in other


def test_the_sheet_outside_the_rack_is_named():
    none = FlatSheetBaseline(None, None, (1.0, 1.5), None, 3.0, 1.7)
    assert mass_comparison(GOOD, none).endswith(
        "no flat sheet in the rack meets the demands; outside the rack 3 mm, 1.700 kg, would"
    )


def test_columns_line_up():
    assert columns(("a", "mm"), [("bb", "1.0"), ("c", "10.0")], right_aligned=[1]) == [
        "a     mm",
        "--  ----",
        "bb   1.0",
        "c   10.0",
    ]


# ----------------------------------------------------------------------------------------------------------- on paper

MANY = replace(
    LAYOUT,
    beads=(*LAYOUT.beads, *FRAME.beads),
    holes=tuple(Hole(L50, (60.0 + 55.0 * (i % 8), 60.0 + 55.0 * (i // 8))) for i in range(40)),
)
CASES = {
    "beads and holes": (verdict(LAYOUT, deflection=2.0, warnings=["mind the clip " * 30]), [WORDY]),
    "frame": (verdict(FRAME), []),
    "flat": (verdict(Layout(1.0)), []),
    "many": (verdict(MANY), []),
}


@pytest.mark.parametrize(
    ("case", "paper"), [(case, "a4") for case in CASES] + [("beads and holes", "letter"), ("flat", "roll")]
)
def test_text_in_the_pdf_is_large_enough_uncut_and_does_not_overlap(tmp_path, case, paper):
    evaluated, gauges = CASES[case]
    write_card(
        replace(PANEL, name="hatch 50 $\\%$ of a name"),
        evaluated,
        tmp_path / "card.pdf",
        flat_baseline=RIVAL,
        gauges=gauges,
        paper=paper,
    )
    pages = read(tmp_path / "card.pdf")
    for number, (width, height, _, words) in enumerate(pages, 1):
        assert (round(width, 3), round(height, 3)) == ((215.9, 279.4) if paper == "letter" else (210.0, 297.0))
        grounds = []
        for word in words:
            capital = word.size * 0.729
            assert capital >= 3.0 - 1e-6
            x, y = word.at
            ground = (x, y, x + printed_width(word.text, capital), y + capital)
            assert ground[0] > 5.0
            assert ground[2] < width - 5.0, word
            assert ground[1] > 5.0
            assert ground[3] < height - 5.0
            for other, text in grounds:
                apart = ground[2] <= other[0] or other[2] <= ground[0] or ground[3] <= other[1] or other[3] <= ground[1]
                # the bold numbers in the small picture are measured here as regular type
                assert apart, f"{word.text!r} lies on {text!r}"
            grounds.append((ground, word.text))
        assert any(word.text == f"page {number} of {len(pages)}" for word in words)


@pytest.mark.parametrize(("case", "most"), [("beads and holes", 3), ("frame", 2), ("flat", 2)])
def test_a_usual_card_takes_two_pages_or_three(tmp_path, case, most):
    write_card(PANEL, verdict(CASES[case][0].layout), tmp_path / "card.pdf", flat_baseline=RIVAL)
    pages = read(tmp_path / "card.pdf")
    assert len(text_pages(pages)) <= most
    assert len(pages) - len(text_pages(pages)) <= 2


def text_pages(pages):
    """The pages before those with pictures."""
    pictures = [any("the bench in pictures" in word.text for word in words) for *_, words in pages]
    return pages[: pictures.index(True)]


L32 = HoleDie("L32", pilot=23.51, finished=26.0, flange=32.0, rise=3.0)
F24 = HoleDie("F24", pilot=16.0, finished=19.0, flange=24.0, rise=3.0)
DOZENS = Layout(
    1.0,
    tuple(Bead(B16, ((60.0, y), (500.0, y))) for y in (100.0, 170.0, 240.0, 310.0)),
    tuple(Hole(die, (70.0 + 42.0 * i, y)) for die, y in ((L32, 135.0), (F24, 205.0), (L32, 275.0)) for i in range(11))
    + tuple(Hole(F24, (170.0 + 42.0 * i, 60.0)) for i in range(8))
    + tuple(Hole(L32, (280.0 + 42.0 * i, 345.0)) for i in range(6)),
)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_card_of_four_dozen_holes_takes_three_pages_and_names_each(tmp_path, paper):
    gauges = [
        GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, miss=0.118, miss_by_surrogate=True),
        GaugeOutcome(1.0, GaugeStatus.BEADED, beads=5),
    ]
    write_card(PANEL, verdict(DOZENS), tmp_path / "card.pdf", flat_baseline=RIVAL, gauges=gauges, paper=paper)
    pages = read(tmp_path / "card.pdf")
    assert len(text_pages(pages)) == 3
    told = [word.text for *_, words in pages for word in words]
    for number, hole in enumerate(DOZENS.holes, 1):
        place = told.index(f"H{number}", told.index("FLARED HOLES"))
        assert told[place + 1 : place + 3] == [f"{hole.at[0]:.1f}", f"{hole.at[1]:.1f}"]
    assert told[told.index("L32") : told.index("L32") + 4] == ["L32", "up", "28", "H1-H11, H23-H33, H42-H47"]


@pytest.mark.parametrize("layout", [LAYOUT, DOZENS], ids=["few", "dozens"])
def test_names_in_the_little_picture_lie_on_no_line(tmp_path, layout):
    """The printed box of each name, rotated as drawn, crosses no line on the same page."""
    write_card(PANEL, verdict(layout), tmp_path / "card.pdf", flat_baseline=RIVAL)
    width, _, strokes, words = read(tmp_path / "card.pdf")[0]
    lines = [LineString(one.points) for one in strokes if one.points[:, 0].min() > width / 2]
    names = [word for word in words if re.fullmatch(r"H\d+", word.text) and word.at[0] > width / 2]
    names = names[: next((i for i, word in enumerate(names) if word.text == "H1" and i), None)]  # the picture's own
    assert names
    for word in names:
        (x, y), capital = word.at, word.size * 0.729
        ground = rotate(box(x, y, x + printed_width(word.text, capital), y + capital), word.turn, origin=word.at)
        assert not [line for line in lines if line.intersects(ground)], word


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_short_paragraphs_are_not_broken_over_pages(tmp_path, paper):
    write_card(PANEL, verdict(DOZENS), tmp_path / "card.pdf", flat_baseline=RIVAL, paper=paper)
    *_, words = read(tmp_path / "card.pdf")[0]
    low = min(word.at[1] for word in words if word.at[1] > 10.0)  # above the foot
    last = [word.text for word in words if abs(word.at[1] - low) < 0.1]
    assert last[-1].endswith(".") or len(last) > 2, last  # the end of a sentence, or a row of a table


def filled_pages(folder, lines, section):
    """Texts of each page of a PDF in which `section` comes after so many filled lines."""
    write_pages(folder / "card.pdf", "card", [Section("ABOVE", ("filled",) * lines), section], footer="card")
    return [[word.text for word in words] for *_, words in read(folder / "card.pdf")]


@pytest.mark.parametrize("part", ["One line.", "Short words in a row. " * 18, "1.\t" + "A step of the work. " * 15])
def test_a_heading_stands_on_the_page_of_the_words_under_it(tmp_path, part):
    """For any length of the text above it: lines are added until the section moves to the next page."""
    pages = set()
    for lines in range(48, 62):
        told = filled_pages(tmp_path, lines, Section("HEADING", (part,)))
        (number,) = [number for number, page in enumerate(told) if "HEADING" in page]
        page = told[number]
        assert set(" ".join(page[page.index("HEADING") + 1 :]).split()) & {"One", "Short", "step"}, lines
        pages.add(number)
    assert pages == {0, 1}


def test_a_heading_stands_on_the_page_of_the_first_rows_of_its_table(tmp_path):
    rows = tuple((f"a{i}", "some words that are long " * 8) for i in range(12))
    pages = set()
    for lines in range(44, 62):
        told = filled_pages(tmp_path, lines, Section("HEADING", (Table(("name", "what"), rows),)))
        (number,) = [number for number, page in enumerate(told) if "HEADING" in page]
        assert {"name", "a0"} <= set(told[number][told[number].index("HEADING") :]), lines
        assert all("name" in page for page in told[number:]), "the head stands over the rows of each page"
        assert [text for page in told for text in page if re.fullmatch(r"a\d+", text)] == [row[0] for row in rows]
        pages.add(number)
    assert pages == {0, 1}


def test_a_long_narrow_table_is_read_down_its_parts_and_on_over_pages(tmp_path):
    rows = tuple((f"H{i}", f"{i}.5", f"{i}.25") for i in range(300))
    (first, *others) = filled_pages(tmp_path, 20, Section("HOLES", (Table(("hole", "X", "Y"), rows, (1, 2)),)))
    assert others
    seen = []
    for page in (first, *others):
        names = [int(text[1:]) for text in page if re.fullmatch(r"H\d+", text)]
        seen.append(sorted(names))
        assert page.count("hole") > 1
    assert [number for names in seen for number in names] == list(range(300))


def test_cautions_stand_together(tmp_path):
    pages = set()
    for lines in range(48, 62):
        told = filled_pages(tmp_path, lines, Section("CAUTIONS", CAUTIONS, keep_together=True))
        (number,) = [number for number, page in enumerate(told) if "CAUTIONS" in page]
        assert all(caution in " ".join(told[number]) for caution in CAUTIONS), lines
        pages.add(number)
    assert pages == {0, 1}


def test_the_cautions_of_the_card_are_kept_together():
    assert [one.title for one in card(PANEL, GOOD).sections if one.keep_together] == ["CAUTIONS"]


def test_the_same_card_gives_the_same_bytes(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        write_card(PANEL, GOOD, tmp_path / name, flat_baseline=RIVAL)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_paper_says_what_the_text_says(tmp_path):
    """Every word of the text card is in the PDF at least as often."""
    evaluated, gauges = CASES["beads and holes"]
    write_card(PANEL, evaluated, tmp_path / "card.pdf", flat_baseline=RIVAL, gauges=gauges)
    text = card_text(PANEL, evaluated, flat_baseline=RIVAL, gauges=gauges)
    told = Counter(word for *_, words in read(tmp_path / "card.pdf") for one in words for word in one.text.split())
    wanted = Counter(word for word in text.split() if not set(word) <= {"-", "="})
    title = {"BATTERY", "HATCH:", "SHOP", "CARD"}  # in lower case in the PDF
    assert not {word: n for word, n in wanted.items() if told[word] < n and word not in title}
    bold = {one.text for *_, words in read(tmp_path / "card.pdf") for one in words}
    assert {"1", "2", "3", "H1", "H2"} <= bold  # in the picture and the tables
