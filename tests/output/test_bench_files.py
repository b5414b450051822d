"""All files of a layout with one call, as the command line writes them."""

import json
from dataclasses import replace

import pytest
from support.trike import FLAT, GOOD, PANEL

from stiffen.errors import InputError
from stiffen.io.folder_lock import locked_folder
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import FlatSheetBaseline, SearchResult
from stiffen.output.bench_files import BENCH_FILE_PATTERNS, remove_bench_files, write_all, write_layout
from stiffen.proof.proof_file import fingerprint
from stiffen.shop.rollability import in_rolling_order

BASELINE = FlatSheetBaseline(1.5, PANEL.mass(Layout(1.5)), (1.5,))
FOUND = SearchResult(GOOD, FLAT, BASELINE, (GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3),), seed=7)
FILES = {
    *("layout.json", "marking.dxf", "marking_back.dxf", "template.pdf", "template_back.pdf"),
    *("card.pdf", "card.txt", "report.html", "layout.png", "before_after.png", "first_mode.png", "panel.png"),
}


def test_a_search_result_gives_every_file_and_the_result(tmp_path):
    folder = tmp_path / "made" / "out"
    data = write_all(PANEL, FOUND, folder)
    assert {path.name for path in folder.iterdir()} == FILES
    document = json.loads((folder / "layout.json").read_text())
    assert document["result"] == json.loads(json.dumps(data))
    assert document["beads"] == in_rolling_order(PANEL, GOOD.layout).to_dict()["beads"]
    assert data["search"]["seed"] == 7
    assert data["rival"]["gauge_mm"] == 1.5
    text = (folder / "card.txt").read_text()
    assert "1 mm: met with 3 beads" in text
    assert "lighter than the 1.5 mm flat sheet" in text


def test_a_verdict_alone_gives_them_without_a_comparison(tmp_path):
    data = write_all(PANEL, GOOD, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == FILES - {"before_after.png"} | {"maps.png"}
    assert data["rival"] is None
    assert "flat sheet" not in (tmp_path / "card.txt").read_text()


def test_files_of_an_earlier_layout_go_and_others_stay(tmp_path):
    write_all(PANEL, FOUND, tmp_path)
    known = (*BENCH_FILE_PATTERNS, "layout.json", "panel.png")
    assert all(any(path.match(pattern) for pattern in known) for path in tmp_path.iterdir())
    (tmp_path / "notes.txt").write_text("mine")
    measured = {"head": ["where", "measured"], "rows": [["A, 1 kg", "0.31 mm"]], "lines": []}
    proof = {"layout": fingerprint(PANEL, Layout(1.0)), "as_built": measured}
    (tmp_path / "proof.json").write_text(json.dumps(proof))
    write_all(PANEL, replace(GOOD, layout=Layout(1.0), fields=None), tmp_path)
    assert "<td>0.31 mm</td>" in (tmp_path / "report.html").read_text()  # what was measured on this layout stays
    left = {path.name for path in tmp_path.iterdir()}
    gone = {"marking_back.dxf", "template_back.pdf", "before_after.png", "first_mode.png"}
    assert left == FILES - gone | {"notes.txt", "proof.json"}
    remove_bench_files(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"layout.json", "panel.png", "notes.txt", "proof.json"}


def test_no_back_template_where_nothing_stands_on_the_back(tmp_path):
    front = replace(
        GOOD.layout,
        beads=tuple(replace(bead, side="up") for bead in GOOD.layout.beads),
        holes=tuple(replace(hole, side="up") for hole in GOOD.layout.holes),
    )
    write_all(PANEL, replace(GOOD, layout=front, fields=None), tmp_path)
    assert (tmp_path / "template.pdf").exists()
    assert not (tmp_path / "template_back.pdf").exists()


def test_the_layout_alone(tmp_path):
    data = write_layout(PANEL, FOUND, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["layout.json"]
    assert data["gauge_mm"] == 1.0


def test_a_folder_in_use_is_refused(tmp_path):
    with locked_folder(tmp_path), pytest.raises(InputError, match="is being written to by process"):
        write_all(PANEL, GOOD, tmp_path)


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(InputError, match="taken.*cannot be made"):
        write_all(PANEL, GOOD, tmp_path / "taken" / "out")
