"""The order of work in pictures: each step once, large words, the sheet in the roller as it is turned."""

import re
from dataclasses import replace

import numpy as np
import pytest
from support.pdf import read
from support.trike import B16, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen.model.layout import Bead, Layout
from stiffen.model.tools import Roller
from stiffen.output.drawing.pdf import MIN_CAPITAL_HEIGHT
from stiffen.output.report.bench_pictures import step_pictures
from stiffen.output.report.shop_card import card_text
from stiffen.output.report.shop_card_pdf import write_card
from stiffen.shop.process_plan import process_plan
from stiffen.shop.rollability import sheet_extents


class Recorder:
    """A surface that keeps what is drawn on it."""

    width, height = 210.0, 297.0

    def __init__(self):
        self.lines, self.circles, self.fills, self.texts = [], [], [], []

    def line(self, points, pen=None, closed=False, within=None):
        self.lines.append((np.array(list(points)), pen))

    def circle(self, at, diameter, pen=None, within=None):
        self.circles.append((at, diameter))

    def fill(self, points, grey=1.0):
        self.fills.append((np.array(list(points)), grey))

    def text(self, at, text, height=MIN_CAPITAL_HEIGHT, **options):
        self.texts.append((at, text, height))


def pictures(layout=LAYOUT, panel=PANEL):
    return list(step_pictures(panel, process_plan(panel, layout)))


def sketch(picture):
    surface = Recorder()
    picture.draw(surface, (10.0, 10.0, 100.0, 50.0))
    return surface


def test_each_step_has_its_picture_in_the_order_of_work():
    assert [one.title for one in pictures()] == [
        "Mark",
        "Rough cut",
        "Pilot holes",
        "Die B16: trial strip",
        "Bead 1, die B16",
        "Bead 2, die B16",
        "Die B20: trial strip",
        "Bead 3, die B20",
        "Bow",
        "Flare",
        "Trim",
        "Fold 1",
        "Drill",
        "Deburr and fit",
    ]
    assert [one.title for one in pictures(Layout(1.0))] == ["Mark", "Cut to size", "Fold 1", "Drill", "Deburr and fit"]


@pytest.mark.parametrize("backwards", [False, True])
def test_the_sheet_lies_as_it_is_fed_with_the_frame_on_its_side(backwards):
    """Bead along x at y = 110 of 380: 110 mm and 8 mm of trim below it, so 450 - 118 = 332 mm are clear."""
    ends = ((60.0, 110.0), (500.0, 110.0))
    layout = Layout(1.0, (Bead(B16, ends[::-1] if backwards else ends),))
    picture = next(one for one in pictures(layout) if one.title.startswith("Bead"))
    assert f"{'left' if backwards else 'right'} side to the frame" in picture.text
    assert "stop at 440 mm" in picture.text
    below = process_plan(PANEL, layout).trim_allowance[1] + min(sheet_extents(PANEL, layout.beads[0]))
    drawn = sketch(picture)
    assert f"{450 - below:.0f} mm clear" in [text for _, text, _ in drawn.texts]
    (bar,) = [points for points, grey in drawn.fills if 0 < grey < 1]
    places = {text: at for at, text, _ in drawn.texts}
    assert places["start"][0] < places["stop"][0]  # fed to the right
    assert (bar[:, 1].mean() > places["start"][1]) == backwards  # left of the path is up


def test_a_throat_too_shallow_for_the_rough_blank_says_so():
    tight = replace(PANEL, tools=replace(PANEL.tools, roller=Roller(throat=112.0)))
    layout = Layout(1.0, LAYOUT.beads[:1])
    picture = next(one for one in pictures(layout, tight) if one.title.startswith("Bead"))
    assert "NO ROOM: cut this side closer" in [text for _, text, _ in sketch(picture).texts]
    none = replace(PANEL, tools=replace(PANEL.tools, roller=Roller(throat=60.0)))
    picture = next(one for one in pictures(layout, none) if one.title.startswith("Bead"))
    assert "the throat takes NEITHER side" in picture.text
    assert not [points for points, grey in sketch(picture).fills if 0 < grey < 1]


def test_a_closed_bead_is_rolled_on_past_its_start():
    picture = next(one for one in pictures(FRAME) if one.title.startswith("Bead"))
    assert "roll on 10 mm past the start" in picture.text
    assert "start = stop" in [text for _, text, _ in sketch(picture).texts]


def test_the_turns_are_those_of_the_card():
    card = re.sub(r"\s+", " ", card_text(PANEL, verdict(LAYOUT)))
    strips = [one for one in pictures() if "trial strip" in one.title]
    assert len(strips) == 2
    for picture in strips:
        turns = re.match(r"Turns of the screw: ([^.]+)\.", picture.text)[1].split(", ")
        die = re.match(r"Die (\S+):", picture.title)[1]
        row = re.search(rf" {die} (?:formula|trial strip) ((?:[\d/ ]+ \([\d.]+ mm\) ?)+)", card)[1]
        assert [one.strip() for one in re.findall(r"([\d/ ]+) \(", row)] == turns


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_everything_stays_in_its_box(layout):
    for picture in pictures(layout):
        drawn = sketch(picture)
        for points in (*(p for p, _ in drawn.lines), *(p for p, _ in drawn.fills)):
            assert points.min(axis=0) == pytest.approx(np.maximum(points.min(axis=0), [6.9, 6.9]))
            assert points.max(axis=0) == pytest.approx(np.minimum(points.max(axis=0), [103.1, 53.1]))


def test_pages_have_boxes_to_tick_and_words_for_arms_length(tmp_path):
    write_card(PANEL, GOOD, tmp_path / "card.pdf")
    pages = read(tmp_path / "card.pdf")
    first = next(i for i, (*_, words) in enumerate(pages) if any("in pictures" in word.text for word in words))
    titles = {f"{letter}. {one.title}" for letter, one in zip("ABCDEFGHIJKLMNOPQRSTUVWXYZ", pictures(), strict=False)}
    told = [word for *_, words in pages[first:] for word in words]
    assert titles <= {word.text for word in told}
    assert min(word.size * 0.729 for word in told if word.text in titles) >= 3.9
    assert min(word.size * 0.729 for word in told) >= MIN_CAPITAL_HEIGHT - 1e-6
    boxes = [
        one
        for _, _, strokes, _ in pages[first:]
        for one in strokes
        if len(one.points) >= 4 and np.ptp(one.points, axis=0) == pytest.approx([6.0, 6.0], abs=0.01)
    ]
    assert len(boxes) == len(titles)


def test_many_beads_take_more_pages(tmp_path):
    beads = tuple(Bead(B16, ((60.0, 60.0 + 25.0 * i), (500.0, 60.0 + 25.0 * i))) for i in range(11))
    write_card(PANEL, verdict(Layout(1.0, beads)), tmp_path / "card.pdf")
    pages = read(tmp_path / "card.pdf")
    assert sum(any("in pictures" in word.text for word in words) for *_, words in pages) == 3
