"""Labels on drawings and templates: uncut, large enough, over no line or other label, on panels of many shapes."""

import math
import random
from dataclasses import replace
from pathlib import Path

import pytest
import shapely
from shapely.geometry import Point
from support.trike import PANEL

from stiffen.io.panel_file import read_panel
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel, Support
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.drawing.face_marking import build_marking
from stiffen.output.drawing.label_placement import place_labels
from stiffen.output.drawing.pdf import MIN_CAPITAL_HEIGHT, printed_width
from stiffen.output.drawing.primitives import Hatch, Label, text_width
from stiffen.output.drawing.tiling import CAPITAL_HEIGHT, _join_marks, place_texts, tile_drawing, used_tiles
from stiffen.shop.layout_check import audit

EXAMPLES = sorted((Path(__file__).parents[3] / "examples").glob("*.toml"))


def crowd(panel, seed, beads, holes):
    """Random layout on both faces.  A bead or hole is added only if no shop rule is broken, up to the given numbers."""
    chance, tools = random.Random(seed), panel.tools
    x0, y0, x1, y1 = panel.region.bounds
    layout = Layout(panel.gauges[0], (), panel.layout().holes)
    for n in range(40 * (beads + holes)):
        x, y = chance.uniform(x0, x1), chance.uniform(y0, y1)
        side = chance.choice(("up", "down"))
        if n % 2 and len(layout.beads) < beads:
            turn, reach = chance.choice((0.0, 90.0, 180.0, chance.uniform(0, 360))), chance.uniform(60, 400)
            to = x + reach * math.cos(math.radians(turn)), y + reach * math.sin(math.radians(turn))
            fuller = replace(layout, beads=(*layout.beads, Bead(chance.choice(tools.bead_dies), ((x, y), to), side)))
        elif len(layout.holes) < holes:
            fuller = replace(layout, holes=(*layout.holes, Hole(chance.choice(tools.hole_dies), (x, y), side)))
        else:
            continue
        if not audit(panel, fuller):
            layout = fuller
    return layout


def plain(name, width, height, pitch):
    """A rectangle with rows of rivets along its long sides."""
    rows = tuple(
        Support("rivets", path=((12.0, y), (width - 12.0, y)), pitch=pitch, diameter=3.2) for y in (10.0, height - 10.0)
    )
    outline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    return Panel(name, PANEL.material, (1.0,), outline, PANEL.tools, supports=rows, bead_side="either")


def both_sides(path):
    return replace(read_panel(path), bead_side="either")


CROWDS = [
    *(pytest.param(both_sides(path), 7, 10, id=path.stem) for path in EXAMPLES),
    pytest.param(plain("tiny", 80.0, 60.0, 28.0), 1, 0, id="80 x 60"),
    pytest.param(plain("long", 1800.0, 120.0, 40.0), 6, 6, id="1800 x 120"),
    pytest.param(plain("riveted", 420.0, 340.0, 11.0), 6, 6, id="many rivets"),
]


def lies_on(words, lines):
    """(text, layer of the line or text of the label it covers) for every overlap."""
    tree = shapely.STRtree([item.shape for item in lines])
    for number, one in enumerate(words):
        for covered in tree.query(one.footprint, predicate="intersects"):
            yield one.text, lines[covered].layer
        for other in words[:number]:
            if one.footprint.intersects(other.footprint):
                yield one.text, other.text


@pytest.mark.parametrize(("panel", "beads", "holes"), CROWDS)
def test_no_label_covers_a_line_or_another_label(panel, beads, holes):
    layout = crowd(panel, 3, beads, holes)
    for face in ("up", "down"):
        drawn = build_marking(face_view(panel, layout, face), CAPITAL_HEIGHT)
        lines = [item for item in drawn.items if not isinstance(item, Hatch)]
        for paper in ("a4", "letter", "roll"):
            spread = tile_drawing(drawn.bounds, paper)
            found = place_texts(spread, used_tiles(spread, drawn), drawn, CAPITAL_HEIGHT)
            for tile, words in found.items():
                assert all(spread.shown_area(tile).contains(one.footprint) for one in words)
                names = [name for _, name in _join_marks(spread, tile, drawn) if name]
                assert len(names) == (0 if paper == "roll" else 4) or spread.size == (1, 1)
                assert list(lies_on([*words, *names], lines)) == []
            told = {one.text.split()[0] for words in found.values() for one in words}
            assert {f"{number}" for number in range(1, len(layout.beads) + 1)} <= told
            assert {f"H{number}" for number in range(1, len(layout.holes) + 1)} <= told
            assert {f"C{number}" for number in range(1, len(panel.cutouts) + 1)} <= told


def test_text_is_no_wider_than_text_width_says():
    for words in ("H12 cut 46.03 down", "trim after rolling", "rough cut: cut here first", "NUMMER 3 WWW other face"):
        assert printed_width(words, MIN_CAPITAL_HEIGHT) <= text_width(words, MIN_CAPITAL_HEIGHT)


def test_the_short_text_where_the_full_one_does_not_fit_and_none_if_optional():
    wall = [Point(0, 0).buffer(200).difference(Point(0, 0).buffer(9.0))]
    label = Label("NUMBER", "H1 cut 35.86 down", Point(0, 0), ((0.0, 30.0, 0.0),), "H1", ((0.0, 40.0, 0.0), (0, 0, 0)))
    ((words,),) = place_labels([label], wall, 4.0).values()
    assert (words.text, words.at) == ("H1", (0.0, -2.0))
    ((words,),) = place_labels([label], [], 4.0).values()
    assert words.text == "H1 cut 35.86 down"
    full = [Point(0, 0).buffer(200)]
    assert len(place_labels([label], full, 4.0)) == 1  # a number is not left out
    assert place_labels([replace(label, optional=True)], full, 4.0) == {}


def test_the_datum_edge_is_labelled_although_its_corners_are_rounded():
    named = [read_panel(path).name for path in EXAMPLES if _datum_edge_is_named(read_panel(path))]
    assert len(named) == len(EXAMPLES)


def _datum_edge_is_named(panel):
    return any(
        label.text == "datum edge" for label in build_marking(face_view(panel, panel.layout()), CAPITAL_HEIGHT).labels
    )
