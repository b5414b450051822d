"""One layout, written in every file format and read back: bead ends, hole centres, mass and margins agree."""

import json
import re
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from pypdf import PdfReader
from support.pages import Tree
from support.pdf import circles, read, segments

from stiffen.analysis.evaluation import check
from stiffen.io.panel_file import layout_document, read_layout, read_panel, write_json
from stiffen.io.result_json import result_document, verdict_from_document
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.drawing.marking_dxf import write_marking
from stiffen.output.drawing.template_pdf import write_template
from stiffen.output.report.card_sections.demand_section import demand_rows
from stiffen.output.report.html_report import page, write_page
from stiffen.output.report.shop_card import card_text
from stiffen.output.report.shop_card_pdf import write_card
from stiffen.shop.layout_check import audit
from stiffen.shop.rollability import in_rolling_order

HATCH = Path(__file__).parents[2] / "examples" / "battery_hatch.toml"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Panel, layout (uneven coordinates) in rolling order, verdict, and the folder with all files written."""
    panel = read_panel(HATCH)
    b16, b20, f50, f32 = (panel.tools.bead_die(n) or panel.tools.hole_die(n) for n in ("B16", "B20", "L50", "L32"))
    layout = Layout(
        1.2,
        (
            Bead(b16, ((111.1, 52.3), (388.8, 60.4))),
            Bead(b20, ((92.7, 201.6), (399.3, 201.6))),
            Bead(b20, ((380.9, 293.2), (95.5, 310.7))),
        ),
        (Hole(f50, (444.7, 98.1)), Hole(f32, (58.3, 301.9)), Hole(f50, (443.3, 305.6))),
    )
    assert audit(panel, layout) == ()
    evaluated = check(panel, layout, mesh_level="quick")
    folder = tmp_path_factory.mktemp("out")
    write_json(folder / "layout.json", layout_document(panel, layout, result_document(panel, evaluated)))
    write_marking(panel, layout, folder / "marking.dxf", verdict=evaluated)
    (folder / "card.txt").write_text(card_text(panel, evaluated))
    write_card(panel, evaluated, folder / "card.pdf")
    write_page(panel, evaluated, folder / "report.html")
    write_template(panel, layout, folder / "template.pdf", paper="roll")
    return panel, in_rolling_order(panel, layout), evaluated, folder


def card_words(folder):
    """The card as text and as PDF, each run of white space as one space."""
    plain = (folder / "card.txt").read_text()
    paper = "\n".join(page.extract_text() for page in PdfReader(folder / "card.pdf").pages)
    return {"text": re.sub(r"\s+", " ", plain), "PDF": re.sub(r"\s+", " ", paper)}


def numbers_of(die, words):
    """Numbers of the holes of a die that flares up, from the card's row "die face holes which", such as H1-H3,H7."""
    count, which = re.search(rf" {die} up (\d+) ((?:H\d+(?:-H\d+)?(?:, ?)?)+)", words).groups()
    found = []
    for first, last in re.findall(r"H(\d+)(?:-H(\d+))?", which):
        found += range(int(first), int(last or first) + 1)
    assert len(found) == int(count)
    return found


def page_tree(folder):
    return Tree((folder / "report.html").read_text(encoding="utf-8"))


def page_rows(folder, noun):
    """Rows of the tables of beads or of holes in the report."""
    tables = page_tree(folder).tables.values()
    wanted = [table for table in tables if [cell.strip() for cell in table[0][:2]] in ([noun, "die"], [noun, "X"])]
    return [[cell.strip() for cell in row] for table in wanted for row in table[1:]]


def drawn_words(folder):
    """Texts of the drawing in the order of writing: tables row by row."""
    return [text.dxf.text for text in ezdxf.readfile(folder / "marking.dxf").modelspace().query("TEXT")]


def follows(wanted, words):
    """True if the wanted words follow each other in the list."""
    return any(words[i : i + len(wanted)] == wanted for i in range(len(words)))


def running_sizes(folder):
    """(0 for X or 1 for Y, figure as drawn) of every running dimension."""
    space = ezdxf.readfile(folder / "marking.dxf").modelspace()
    found = set()
    for one in space.query("DIMENSION"):
        if one.dimtype == 6:
            (shown,) = one.get_geometry_block().query("TEXT")
            assert shown.dxf.text == one.dxf.text
            found.add((0 if one.dxf.dimtype & 64 else 1, shown.dxf.text.split()[-1]))
    return found


def test_bead_ends(written):
    panel, layout, _, folder = written
    wanted = [(number, bead.die.name, *bead.path) for number, bead in enumerate(layout.beads, 1)]
    stored = in_rolling_order(panel, read_layout(folder / "layout.json")[1])
    assert [(n, bead.die.name, *bead.path) for n, bead in enumerate(stored.beads, 1)] == wanted
    space = ezdxf.readfile(folder / "marking.dxf").modelspace()
    axes = [line.get_points("xy") for line in space.query('LWPOLYLINE[layer=="BEAD AXIS"]')]
    assert sorted([tuple(p) for p in axis] for axis in axes) == sorted(list(bead.path) for bead in layout.beads)
    told, sizes = drawn_words(folder), running_sizes(folder)
    hover = [title for title in page_tree(folder).titles if title.startswith("bead")]
    drawn = {row[0]: row for row in page_rows(folder, "bead")}
    for number, die, (x0, y0), (x1, y1) in wanted:
        frame = face_view(panel, layout).frame_sides[number - 1]
        start = [f"{number}", die, "up", frame, f"{x0:.1f}", f"{y0:.1f}", "start", f"{x1:.1f}", f"{y1:.1f}", "stop"]
        assert follows(start, told)
        assert {(0, f"{x0:.1f}"), (0, f"{x1:.1f}"), (1, f"{y0:.1f}"), (1, f"{y1:.1f}")} <= sizes
        assert f"start {x0:.1f}, {y0:.1f}; end {x1:.1f}, {y1:.1f}" in hover[number - 1]
        assert drawn[f"{number}"][1:7] == [die, "up", f"{x0:.1f}", f"{y0:.1f}", f"{x1:.1f}", f"{y1:.1f}"]
        row = f" {number} {die} up {x0:.1f} {y0:.1f} {x1:.1f} {y1:.1f} "
        assert {form for form, words in card_words(folder).items() if row in words} == {"text", "PDF"}


def test_hole_centres(written):
    _, layout, _, folder = written
    assert read_layout(folder / "layout.json")[1].holes == layout.holes
    space = ezdxf.readfile(folder / "marking.dxf").modelspace()
    circles = space.query('CIRCLE[layer=="HOLE PILOT"]')
    found = sorted((*(round(v, 6) for v in c.dxf.center.vec2), round(2 * c.dxf.radius, 6)) for c in circles)
    assert found == sorted((*hole.at, hole.die.pilot) for hole in layout.holes)
    told, sizes = drawn_words(folder), running_sizes(folder)
    hover = [title for title in page_tree(folder).titles if title.startswith("hole")]
    drawn = {row[0]: row for row in page_rows(folder, "hole")}
    for number, hole in enumerate(layout.holes, 1):
        (x, y), die = hole.at, hole.die
        assert follows([f"H{number}", die.name, "up", f"{x:.1f}", f"{y:.1f}", f"{round(die.pilot, 1):g}"], told)
        assert {(0, f"{x:.1f}"), (1, f"{y:.1f}")} <= sizes
        assert f"centre {x:.1f}, {y:.1f}\ncut {round(die.pilot, 1):g}" in hover[number - 1]
        assert drawn[f"H{number}"] == [f"H{number}", f"{x:.1f}", f"{y:.1f}"]
        row = f" H{number} {x:.1f} {y:.1f} "
        assert {form for form, words in card_words(folder).items() if row in words} == {"text", "PDF"}
        for words in card_words(folder).values():
            assert number in numbers_of(die.name, words)


def test_the_template_shows_beads_and_holes_where_the_layout_has_them(written):
    _, layout, _, folder = written
    ((_, _, strokes, words),) = read(folder / "template.pdf")
    (known,) = [hole for hole in layout.holes if hole.die.name == "L32"]
    (ring,) = [one for one in circles(strokes) if one.diameter == pytest.approx(known.die.pilot, abs=0.005)]
    shift = np.array(known.at) - ring.centre
    for hole in layout.holes:
        rings = [one for one in circles(strokes) if one.diameter == pytest.approx(hole.die.pilot, abs=0.005)]
        assert min(np.abs(one.centre + shift - hole.at).max() for one in rings) < 0.01
    for number, bead in enumerate(layout.beads, 1):
        assert np.abs(segments(strokes) + shift - np.array(bead.path)).max(axis=(1, 2)).min() < 0.01
        assert f"{number} {bead.die.name} up" in {word.text for word in words}


def test_mass(written):
    panel, layout, evaluated, folder = written
    told = f"{panel.mass(layout):.3f} kg"
    assert (
        json.loads((folder / "layout.json").read_text())["result"]["mass_kg"] == evaluated.mass_kg == panel.mass(layout)
    )
    space = ezdxf.readfile(folder / "marking.dxf").modelspace()
    assert f"finished mass {told}" in [text.dxf.text for text in space.query("TEXT")]
    assert re.search(rf"<dt>mass</dt><dd>{told}</dd>", (folder / "report.html").read_text())
    for words in card_words(folder).values():
        assert f"finished {told}" in words


def test_values_and_margins(written):
    panel, _, evaluated, folder = written
    layout = read_layout(folder / "layout.json")[1]
    stored = verdict_from_document(panel, layout, json.loads((folder / "layout.json").read_text())["result"])
    assert stored.demands == evaluated.demands
    wanted = [row[:5] for row in demand_rows(evaluated)]
    assert [tuple(row[:5]) for row in page_tree(folder).rows("demands")] == wanted
    for one, row in zip(evaluated.demands, wanted, strict=True):
        assert f"{one.value:.3g}" in row[2]
        assert row[3] == f"{100 * one.margin:+.0f} %"
        assert {form for form, words in card_words(folder).items() if " ".join(row) in words} == {"text", "PDF"}


def test_every_file_agrees_on_met_or_not_met(written, tmp_path):
    panel, layout, evaluated, folder = written
    (bead, *rest) = layout.beads
    near = replace(layout, beads=(bead, *rest, replace(bead, path=tuple((x, y + 20.0) for x, y in bead.path))))
    for met, shape, status, state, drawn in (
        (True, layout, "met", "all demands met", "all demands met"),
        (False, layout, "not met", "NOT MET: ", "NOT ALL DEMANDS ARE MET: see the card"),
        (True, near, "not met", "a rule of the shop is not kept", "A RULE OF THE SHOP IS NOT KEPT: see the card"),
    ):
        one = replace(evaluated, layout=shape, demands=tuple(replace(each, met=met) for each in evaluated.demands))
        write_marking(panel, shape, tmp_path / "marking.dxf", verdict=one)
        assert result_document(panel, one)["status"] == status
        assert Tree(page(panel, one)).ids["state"].strip().startswith(state)
        assert drawn in drawn_words(tmp_path)
        assert ("NOT MET: " in card_text(panel, one)) == (not met)
        assert ("rule not kept" in card_text(panel, one)) == (shape is near)


def test_an_edited_result_is_not_taken_for_this_layout(written):
    panel, _, _, folder = written
    layout = read_layout(folder / "layout.json")[1]
    result = json.loads((folder / "layout.json").read_text())["result"]
    assert verdict_from_document(panel, layout, result) is not None
    for key, value in (
        ("gauge_mm", 1.0),
        ("mass_kg", result["mass_kg"] + 0.01),
        ("beads", result["beads"][:-1]),
        ("demands", result["demands"][1:]),
        ("demands", [{**one, "limit": 9.9} for one in result["demands"]]),
        ("demands", "none"),
        ("model", None),
        ("mass_kg", "heavy"),
    ):
        assert verdict_from_document(panel, layout, {**result, key: value}) is None
    for junk in (None, [], "met", 3, {}):
        assert verdict_from_document(panel, layout, junk) is None


def test_values_that_are_not_finite_are_read_back(written):
    panel, _, evaluated, folder = written
    layout = read_layout(folder / "layout.json")[1]
    result = json.loads((folder / "layout.json").read_text())["result"]
    lost = [
        {**one, "value": None, "margin": None, "met": met}
        for one, met in zip(result["demands"], (0, 1, 0), strict=True)
    ]
    back = verdict_from_document(panel, layout, {**result, "demands": lost})
    assert [one.met for one in back.demands] == [False, True, False]
    assert back.demands[1].value == float("inf")
    assert back.demands[0].value != back.demands[0].value
    assert demand_rows(back)[1][2] == "no limit"
