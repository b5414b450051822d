"""The commands, run inside the test process: files, printed lines, exit status."""

import json
import math
import os
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import ezdxf
import pytest
from support.trike import FLAT, GOOD, LAYOUT, verdict

import stiffen
from stiffen.analysis import evaluation, flat_sheet, sfepy_shell
from stiffen.cli import processes
from stiffen.cli.entry import main
from stiffen.cli.output_files import OPEN_FIRST
from stiffen.cli.searching import several_panels
from stiffen.errors import MeshError, SolverError
from stiffen.io import result_json
from stiffen.io.panel_file import layout_document, read_layout, read_panel, write_json
from stiffen.model.explanation import Estimate, Explanation
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import LINEAR, NOT_DECIDED, FlatSheetBaseline, SearchResult
from stiffen.optimise.explain import explaining
from stiffen.optimise.search import driver, sweep
from stiffen.output.bench_files import BENCH_FILE_PATTERNS
from stiffen.output.plots import picture_set
from stiffen.proof import bench_margin as bench_margins
from stiffen.shop import cautions, layout_check, process_plan, rollability, rolling_bow, rough_blank, work_steps
from stiffen.shop.rollability import in_rolling_order

PANEL_FILE = """
[panel]
name = "foot plate"
material = "5754-H111"
gauges = [1.0, 2.0]
outline = [[0, 0], [200, 0], [200, 150], [0, 150]]
corner_radius = 10

[[support]]
kind = "edge"
along = "outline"
hold = "pinned"
in_plane = "free"

[[load]]
case = "wind"
kind = "pressure"
value = 0.0005

[[demand]]
kind = "deflection"
case = "wind"
limit = {limit}

[[demand]]
kind = "frequency"
limit = 20
"""
WRITTEN = {
    *("layout.json", "marking.dxf", "template.pdf", "template_back.pdf", "card.txt", "card.pdf", "report.html"),
    *("layout.png", "before_after.png", "first_mode.png", "panel.png"),
}
THREE_BEADS = GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)
SOURCE = {**os.environ, "PYTHONPATH": str(Path(stiffen.__file__).parent.parent)}


@pytest.fixture
def panel_file(tmp_path):
    path = tmp_path / "plate.toml"
    path.write_text(PANEL_FILE.format(limit=1.0))
    return path


@pytest.fixture
def made_up(monkeypatch):
    """Puts made-up evaluations in place, to test the command alone; returns its calls: (layout, options)."""
    asked = []

    def check(panel, layout=None, **options):
        asked.append((layout, options))
        return replace(GOOD, layout=layout or panel.layout())

    monkeypatch.setattr(evaluation, "check", check)
    monkeypatch.setattr(flat_sheet, "flat_baseline", lambda panel, **options: FlatSheetBaseline(1.5, 0.9, (1.5,)))
    monkeypatch.setattr(explaining, "explain", lambda panel, verdict, **options: Explanation(Estimate((), 0.5)))
    for module in (layout_check, process_plan, result_json):
        monkeypatch.setattr(module, "audit", lambda panel, layout: ())
    return asked


def found(evaluated=GOOD, second_opinion=True, **more):
    missed = GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, miss=0.03)
    if second_opinion:
        evaluated = replace(evaluated, second_opinion={})
    return SearchResult(evaluated, FLAT, FlatSheetBaseline(1.5, 0.849, (1.5,)), (missed, THREE_BEADS), **more)


@pytest.fixture
def search_finds(monkeypatch, made_up):
    """Returns a function that replaces `search`: it reports a first layout, then returns or raises the given answer."""

    def put(answer):
        def search(panel, *, on_best, progress, **options):
            progress(0.5, "half way")
            on_best(replace(GOOD, layout=Layout(1.5)))
            if isinstance(answer, BaseException):
                raise answer
            return answer

        monkeypatch.setattr(driver, "search", search)
        monkeypatch.setattr(bench_margins, "_rounds", lambda *_: iter(()))

    return put


@pytest.fixture
def no_pictures(monkeypatch):
    """Skips the slow pictures in tests about something else."""
    monkeypatch.setattr(picture_set, "write_pictures", lambda *args, **options: [])


@pytest.fixture
def hatch_file(tmp_path):
    """A panel file whose outline is large enough for the made-up layout."""
    text = PANEL_FILE.format(limit=1.0).replace("[200, 0], [200, 150], [0, 150]", "[560, 0], [560, 380], [0, 380]")
    path = tmp_path / "hatch.toml"
    path.write_text(text.replace("corner_radius", 'bead_side = "either"\ncorner_radius'))
    return path


# ------------------------------------------------------------------------------------------------- real evaluations


def test_check_with_a_real_evaluation(panel_file, tmp_path, capsys):
    result = tmp_path / "result.json"
    status = main(["check", str(panel_file), "--mesh", "quick", "--json", str(result), "--gauge", "2"])
    out, err = capsys.readouterr()
    data = json.loads(result.read_text())
    # SSSS rectangle, b = 150, a/b = 4/3, uniform load: alpha 0.00665 by linear interpolation between 0.00603 (1.25)
    # and 0.00708 (1.4) of Timoshenko & Woinowsky-Krieger's table; rounded corners and interpolation: 3 %
    stiffness = 70e3 * 2.0**3 / (12 * (1 - 0.33**2))
    assert data["demands"][0]["value"] == pytest.approx(0.00661 * 0.0005 * 150**4 / stiffness, rel=0.03)
    assert status == 0
    assert data["status"] == "met"
    assert data["gauge_mm"] == 2.0
    assert data["mass_kg"] == pytest.approx(2.67e-6 * 2 * (200 * 150 - (4 - math.pi) * 100), rel=1e-3)
    assert out.startswith("foot plate: 5754-H111, 2 mm, ")
    assert out.endswith("met\n")
    assert err == ""


def test_check_reports_a_missed_demand(tmp_path, capsys):
    path = tmp_path / "plate.toml"
    path.write_text(PANEL_FILE.format(limit=0.01))
    assert main(["check", str(path), "--mesh", "quick", "--gauge", "2"]) == 1
    out = capsys.readouterr().out
    assert "NOT MET" in out
    assert out.endswith("not met\n")


# ------------------------------------------------------------------------------------------------------------ check


def test_a_panel_without_demands_is_not_called_met(tmp_path, capsys, made_up, monkeypatch):
    path = tmp_path / "plain.toml"
    path.write_text(PANEL_FILE[: PANEL_FILE.index("[[demand]]")])
    monkeypatch.setattr(evaluation, "check", lambda *a, **k: replace(GOOD, layout=Layout(1.0), demands=()))
    assert main(["check", str(path), "--json", str(tmp_path / "r.json")]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("nothing asked: put a [[demand]] into the panel file")
    assert json.loads((tmp_path / "r.json").read_text())["status"] == "nothing asked"
    for more in ([], [str(tmp_path / "plain.toml")]):
        other = tmp_path / "other" / "second.toml"
        other.parent.mkdir(exist_ok=True)
        other.write_text(path.read_text())
        files = [str(path), *([str(other)] if more else [])]
        assert main(["search", *files, "--out", str(tmp_path / "out")]) == 2
        err = capsys.readouterr().err
        assert err.count("demand: is missing: a search needs at least one") == len(files)
    assert not (tmp_path / "out").exists()


def test_result_has_the_promised_keys(panel_file, tmp_path, made_up):
    result = tmp_path / "result.json"
    assert main(["check", str(panel_file), "--json", str(result), "--rival"]) == 0
    data = json.loads(result.read_text())
    assert {
        *("status", "gauge_mm", "mass_kg", "blank_mass_kg", "beads", "holes", "demands", "rival", "model"),
        *("second_opinion", "warnings", "seconds"),
    } <= set(data)
    assert data["rival"] == {"gauge_mm": 1.5, "mass_kg": 0.9}
    assert data["model"] == {"nodes": 580, "mesh_error_estimate": 0.02, "nonlinear": False}
    wind = data["demands"][0]
    assert {key: wind[key] for key in ("kind", "case", "limit", "value", "met", "decided_by")} == {
        "kind": "deflection",
        "case": "wind",
        "limit": 1.5,
        "value": 1.1,
        "met": True,
        "decided_by": LINEAR,
    }
    assert wind["margin"] == pytest.approx(1 - 1.1 / 1.5)


def test_values_that_are_not_finite_become_null(panel_file, tmp_path, made_up, monkeypatch):
    odd = replace(GOOD.demands[0], value=math.nan, margin=-math.inf, met=False, decided_by=NOT_DECIDED)
    monkeypatch.setattr(evaluation, "check", lambda *a, **k: replace(GOOD, layout=Layout(1.0), demands=(odd,)))
    assert main(["check", str(panel_file), "--json", str(tmp_path / "r.json")]) == 1
    text = (tmp_path / "r.json").read_text()
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text)["demands"][0]["value"] is None


def test_thinnest_sheet_is_taken_and_said(panel_file, made_up, capsys):
    main(["check", str(panel_file)])
    assert made_up[0][0].gauge == 1.0
    assert "the thinnest sheet of the rack (1, 2 mm); --gauge takes another" in capsys.readouterr().out
    main(["check", str(panel_file), "--gauge", "1.2"])
    assert made_up[1][0].gauge == 1.2
    assert "thinnest" not in capsys.readouterr().out


def test_options_reach_the_evaluation(panel_file, made_up, tmp_path):
    main(["check", str(panel_file), "--mesh", "fine", "--plot", str(tmp_path / "new" / "pictures")])
    assert made_up[0][1]["mesh_level"] == "fine"
    assert made_up[0][1]["fields"] is True
    names = {path.name for path in (tmp_path / "new" / "pictures").iterdir()}
    assert names == {"panel.png", "layout.png", "maps.png", "first_mode.png", "first_mode.gif"}


def test_layout_of_a_file_is_evaluated_on_the_panel(panel_file, made_up, tmp_path):
    layout = replace(read_panel(panel_file).layout(2.0))
    write_json(tmp_path / "l.json", layout_document(read_panel(panel_file), layout, {}))
    main(["check", str(panel_file), "--layout", str(tmp_path / "l.json")])
    assert made_up[0][0].gauge == 2.0


def test_a_broken_rule_is_named_and_counts(panel_file, tmp_path, capsys):
    bead = '\n[[bead]]\ndie = "B16"\npath = [[60, 75], [192, 75]]\n'
    panel_file.write_text(PANEL_FILE.format(limit=1.0) + bead)
    status = main(["check", str(panel_file), "--mesh", "quick", "--json", str(tmp_path / "r.json")])
    data = json.loads((tmp_path / "r.json").read_text())
    assert status == 1
    assert data["status"] == "not met"
    assert data["rules_broken"][0]["where"] == "bead[1] B16"
    assert "warning: rule not kept: bead[1] B16: " in capsys.readouterr().out


# ----------------------------------------------------------------------------------------------------------- search


def test_search_writes_everything_and_one_line(hatch_file, tmp_path, capsys, search_finds):
    search_finds(found(seconds=3.0, seed=7, candidate_count=99))
    out = tmp_path / "deep" / "out"
    assert main(["search", str(hatch_file), "--out", str(out)]) == 0
    names = {path.name for path in out.iterdir()}
    assert names == {*WRITTEN, "marking_back.dxf"}  # beads on both faces
    assert not ezdxf.readfile(out / "marking.dxf").audit().errors
    assert "NOT MET" not in (out / "card.txt").read_text()
    text, err = capsys.readouterr()
    assert err == ""
    assert text.count("\n") == 1
    assert text.startswith("met: 1 mm, 0.560 kg, 3 beads, 2 flared holes; 0.289 kg (34 %) lighter than the 1.5 mm flat")
    assert "; dies B16, B20 may crack this sheet: try a scrap strip first; in " in text
    panel, layout = read_layout(out / "layout.json")
    assert panel.name == "foot plate"
    assert [bead.path for bead in layout.beads] == [bead.path for bead in in_rolling_order(panel, LAYOUT).beads]
    result = json.loads((out / "layout.json").read_text())["result"]
    assert result["search"]["seed"] == 7
    assert result["search"]["effort"] == "normal"
    assert result["seconds"] == 3.0


def test_a_search_without_a_second_opinion_says_so(hatch_file, tmp_path, capsys, search_finds, no_pictures):
    search_finds(found(second_opinion=False))
    assert main(["search", str(hatch_file), "--out", str(tmp_path / "out")]) == 0
    note, closing = capsys.readouterr().out.splitlines()
    assert note.startswith("No second opinion was taken") and closing.startswith("met: 1 mm")
    assert json.loads((tmp_path / "out" / "layout.json").read_text())["result"]["second_opinion"] is None


def test_check_says_that_no_second_opinion_was_taken(panel_file, capsys, monkeypatch):
    monkeypatch.setattr(sfepy_shell, "is_installed", lambda: False)
    assert main(["check", str(panel_file), "--mesh", "quick", "--gauge", "2", "--second-opinion"]) == 0
    assert "No second opinion was taken" in capsys.readouterr().out
    assert main(["check", str(panel_file), "--mesh", "quick", "--gauge", "2"]) == 0
    assert "second opinion" not in capsys.readouterr().out  # it was not asked for


def test_a_search_that_meets_not_all_demands_says_so(hatch_file, tmp_path, capsys, search_finds, no_pictures):
    search_finds(found(verdict(LAYOUT, deflection=2.0)))
    assert main(["search", str(hatch_file), "--out", str(tmp_path / "out")]) == 1
    assert capsys.readouterr().out.startswith("NOT MET: deflection wind; best found 1 mm")
    assert (tmp_path / "out" / "marking.dxf").exists()


@pytest.mark.slow
def test_a_folder_keeps_its_better_layout(hatch_file, tmp_path, capsys, search_finds, no_pictures, monkeypatch):
    out, beside = tmp_path / "out", tmp_path / "out_new"
    search_finds(found())
    assert main(["search", str(hatch_file), "--out", str(out)]) == 0
    assert not beside.exists()
    monkeypatch.setattr(result_json, "verdict_from_document", lambda panel, layout, result: GOOD)
    before = (out / "layout.json").read_text()
    capsys.readouterr()
    search_finds(found(verdict(LAYOUT, deflection=2.0)))  # misses
    assert main(["search", str(hatch_file), "--out", str(out)]) == 1
    assert f"in {beside}, beside {out}, which keeps its better layout (1 mm" in capsys.readouterr().out
    assert (out / "layout.json").read_text() == before and (beside / "marking.dxf").exists()
    lighter = replace(GOOD, mass_kg=0.9 * GOOD.mass_kg)
    search_finds(found(lighter))
    assert main(["search", str(hatch_file), "--out", str(out)]) == 0
    assert capsys.readouterr().out.rstrip().endswith(f"in {out}; {OPEN_FIRST}")
    assert (out / "layout.json").read_text() != before


def test_a_value_in_another_unit_is_told_before_the_search(hatch_file, tmp_path, capsys, search_finds, no_pictures):
    hatch_file.write_text(hatch_file.read_text().replace("value = 0.0005", "value = 0.5"))
    search_finds(found())
    main(["search", str(hatch_file), "--out", str(tmp_path / "out")])
    err = capsys.readouterr().err
    assert err.startswith(f"{hatch_file}: warning: load[1].value: 0.5 MPa is 500 kPa")
    assert "did you mean 0.5 kPa = 0.0005?" in err
    assert "did you mean 0.5 kPa = 0.0005?" in " ".join((tmp_path / "out" / "card.txt").read_text().split())


def test_ctrl_c_keeps_the_best_so_far(hatch_file, tmp_path, capsys, search_finds):
    search_finds(KeyboardInterrupt())
    out = tmp_path / "out"
    assert main(["search", str(hatch_file), "--out", str(out)]) == 0
    assert capsys.readouterr().out.startswith("stopped; met: 1.5 mm")
    assert read_layout(out / "layout.json")[1].gauge == 1.5
    assert {path.name for path in out.iterdir()} >= {"marking.dxf", "card.txt", "layout.png"}


def test_ctrl_c_before_anything_was_found(hatch_file, tmp_path, capsys, monkeypatch):
    def search(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(driver, "search", search)
    assert main(["search", str(hatch_file), "--out", str(tmp_path / "out")]) == 130
    assert capsys.readouterr().err == "stopped\n"


def test_a_stopped_search_says_why(hatch_file, tmp_path, capsys, search_finds, no_pictures):
    search_finds(found(stopped="time was up after 5 s"))
    main(["search", str(hatch_file), "--out", str(tmp_path / "out"), "--seconds", "5"])
    assert capsys.readouterr().out.startswith("time was up after 5 s; met: ")


@pytest.mark.parametrize("watched", [True, False], ids=["terminal", "piped"])
@pytest.mark.parametrize("quiet", [True, False], ids=["quiet", "not quiet"])
def test_progress_only_on_a_terminal(
    hatch_file, tmp_path, capsys, search_finds, monkeypatch, watched, quiet, no_pictures
):
    search_finds(found())
    monkeypatch.setattr(sys.stderr, "isatty", lambda: watched)
    main(["search", str(hatch_file), "--out", str(tmp_path / "out"), *(["--quiet"] if quiet else [])])
    out, err = capsys.readouterr()
    assert ("half way" in err) == (watched and not quiet)
    assert "half way" not in out


@pytest.mark.slow
def test_how_each_gauge_ended_stands_in_card_and_report(hatch_file, tmp_path, search_finds):
    search_finds(found())
    out = tmp_path / "out"
    main(["search", str(hatch_file), "--out", str(out)])
    words = "no layout found (the best misses by 3 %)"
    assert words in " ".join((out / "card.txt").read_text().split())
    assert words in (out / "report.html").read_text()


# ----------------------------------------------------------------------------------------- from, several panels, sweeps


@pytest.mark.slow
def test_search_goes_on_from_a_layout_file(hatch_file, tmp_path, monkeypatch, search_finds, no_pictures, capsys):
    search_finds(found())
    panel = read_panel(hatch_file)
    bead = replace(LAYOUT.beads[0], die=panel.tools.bead_die("B16"), fixed=True)
    write_json(tmp_path / "l.json", layout_document(panel, Layout(1.0, (bead,)), {}))
    asked = []
    inner = driver.search
    monkeypatch.setattr(driver, "search", lambda *a, **k: asked.append(k["start"]) or inner(*a, **k))
    assert main(["search", str(hatch_file), "--from", str(tmp_path / "l.json"), "--out", str(tmp_path / "out")]) == 0
    assert asked == [Layout(1.0, (bead,))]
    main(["search", str(hatch_file), "--out", str(tmp_path / "out")])
    assert asked[1] is None


def test_a_layout_that_a_search_cannot_start_from_is_bad_input(panel_file, tmp_path, capsys):
    panel = read_panel(panel_file)
    file = tmp_path / "l.json"
    write_json(file, layout_document(panel, Layout(1.2), {}))
    assert main(["search", str(panel_file), "--from", str(file), "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err == f"{file}: gauge: 1.2 is not in the rack of the panel (one of: 1, 2)\n"
    bead = replace(LAYOUT.beads[0], die=panel.tools.bead_die("B16"), path=((60.0, 75.0), (192.0, 75.0)))
    write_json(file, layout_document(panel, Layout(1.0, (bead,)), {}))
    assert main(["search", str(panel_file), "--from", str(file), "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err.startswith(f"{file}: bead[1] B16: ")
    assert not (tmp_path / "out").exists()


@pytest.fixture
def ended(monkeypatch):
    """Returns a function that replaces `run_all` by given outcomes; it returns the commands that were to be run."""
    asked = {}

    def put(*ends):
        def run_all(commands, max_running, report):
            asked.update(commands, max_running=max_running)
            report(1, ("b",))
            return [processes.ProcessOutcome(name, *end) for name, end in zip(commands, ends, strict=True)]

        monkeypatch.setattr(several_panels, "run_all", run_all)
        return asked

    return put


@pytest.mark.parametrize(
    ("ends", "want", "told"),
    [
        (((0, "met: a\n", "", 1), (0, "met: b\n", "", 1)), 0, "met: b"),
        (((1, "NOT MET: a\n", "", 1), (0, "met: b\n", "", 1)), 1, "NOT MET: a"),
        (((3, "", "a.toml: nothing holds the sheet\n", 1), (1, "NOT MET: b\n", "", 1)), 3, "NOT MET: b"),
        (((-9, "", "", 2), (0, "met: b\n", "", 1)), 3, "its process died after 2 attempts (exit status -9)"),
        (((0, "stopped; met: a\n", "", 1), (130, "", "", 0)), 130, "stopped before it was started"),
    ],
    ids=["met", "not met", "failed", "died", "stopped"],
)
def test_several_panels_end_with_the_worst_status(panel_file, hatch_file, tmp_path, capsys, ended, ends, want, told):
    asked = ended(*ends)
    out = tmp_path / "out"
    assert (
        main(["search", str(panel_file), str(hatch_file), "--jobs", "2", "--seconds", "7", "--out", str(out)]) == want
    )
    words, err = capsys.readouterr()
    assert told in words
    assert ("nothing holds the sheet" in err) == (want == 3 and ends[0][0] == 3)
    command = asked[str(panel_file)]
    assert command[1:5] == ["-m", "stiffen", "search", str(panel_file)] and asked["max_running"] == 2
    assert (
        command[command.index("--out") + 1] == str(out / "plate") and command[command.index("--seconds") + 1] == "7.0"
    )


def test_equal_names_and_all_faults_are_reported_before_any_search(panel_file, tmp_path, capsys, ended):
    ended()
    other = tmp_path / "other" / "plate.toml"
    other.parent.mkdir()
    other.write_text(PANEL_FILE.format(limit=-1.0).replace('"pinned"', '"glued"'))
    assert main(["search", str(panel_file), str(other), "nothing.toml", "--out", str(tmp_path / "out")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 4
    assert lines[0].startswith(f"{other}: would be written to the same folder as {panel_file}: plate (give the file ")
    assert "support[1].hold" in "".join(lines) and "demand[1].limit" in "".join(lines)
    assert lines[3].startswith("nothing.toml: ")


@pytest.mark.slow
def test_a_build_of_two_panels_for_real(tmp_path, capsys):
    for name, limit in (("left", 40), ("right", 45)):
        text = PANEL_FILE.format(limit=1.0).replace("limit = 20", f"limit = {limit}")
        (tmp_path / f"{name}.toml").write_text(text.replace("gauges = [1.0, 2.0]", "gauges = [1.0]"))
    files = [str(tmp_path / "left.toml"), str(tmp_path / "right.toml")]
    words = ["--effort", "quick", "--mesh", "quick"]
    out, result = tmp_path / "a", tmp_path / "r.json"
    assert main(["search", *files, *words, "--jobs", "2", "--out", str(out), "--json", str(result)]) == 0
    assert [line.split(": ")[:2] for line in capsys.readouterr().out.splitlines()] == [[file, "met"] for file in files]
    panels = json.loads(result.read_text())["panels"]
    assert [one["result"]["status"] for one in panels] == ["met", "met"]
    assert not any(one["result"]["search"]["cut_short"] for one in panels)
    assert all((out / name / "card.pdf").exists() for name in ("left", "right"))
    alone = stiffen.search(read_panel(files[0]), effort="quick", mesh_level="quick").verdict.layout
    written = read_layout(out / "left" / "layout.json")[1]
    assert written.to_dict() == in_rolling_order(read_panel(files[0]), alone).to_dict()  # rounded to 0.001 mm


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--sweep", "limit=1,2"], "--sweep: got 2 panels (give it one panel at a time)"),
        (["--from", "l.json"], "--from: got 2 panels (give it one panel at a time)"),
        (["--jobs", "0"], "'0' is not a whole number, 1 or more"),
        (["--jobs", "two"], "'two' is not a whole number, 1 or more"),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, list) else "",
)
def test_what_several_panels_cannot_have(panel_file, hatch_file, tmp_path, capsys, words, told):
    assert main(["search", str(panel_file), str(hatch_file), "--out", str(tmp_path / "out"), *words]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_sweep_writes_table_picture_and_layouts(hatch_file, tmp_path, capsys, monkeypatch, search_finds):
    search_finds(found(verdict(LAYOUT, deflection=0.9)))
    monkeypatch.setattr(sweep, "search", lambda panel, **options: searched(panel))
    out = tmp_path / "out"
    words = ["search", str(hatch_file), "--sweep", "frequency=30,40", "--out", str(out)]
    assert main([*words, "--json", str(tmp_path / "r.json")]) == 0
    assert {path.name for path in out.iterdir()} == {
        *("sweep.txt", "sweep.csv", "sweep.png", "panel.png", "limit_30", "limit_40")
    }
    text = capsys.readouterr().out
    assert text.startswith((out / "sweep.txt").read_text()) and text.endswith(f"table, picture and layouts in {out}\n")
    assert (out / "sweep.csv").read_text().count("\n") == 3
    panel, layout = read_layout(out / "limit_30" / "layout.json")
    assert panel.demands[1].limit == 30 and layout.gauge == 1.0
    data = json.loads((tmp_path / "r.json").read_text())
    assert data["swept"] == "limit of frequency, Hz" and [row["value"] for row in data["rows"]] == [40.0, 30.0]


def searched(panel, met=True):
    """A made-up search result for the demands of the panel."""
    told = [replace(one, met=met) for one in (GOOD.demands[0], GOOD.demands[2])]
    flat = replace(GOOD, layout=Layout(1.0), demands=tuple(told))
    return SearchResult(flat, flat, FlatSheetBaseline(1.5, 0.9, (1.5,)))


def test_a_sweep_with_a_row_not_met_or_stopped_is_status_1(hatch_file, tmp_path, capsys, monkeypatch, made_up):
    words = ["search", str(hatch_file), "--sweep", "gauge=1,2", "--out", str(tmp_path / "out")]
    monkeypatch.setattr(sweep, "search", lambda panel, **options: searched(panel, met=panel.gauges != (2.0,)))
    assert main(words) == 1
    assert "* not met" in capsys.readouterr().out
    interrupted = {"stopped": "interrupted", "interrupted": True}
    monkeypatch.setattr(sweep, "search", lambda panel, **options: replace(searched(panel), **interrupted))
    assert main(words) == 1
    assert "stopped after 1 of 2 rows; table" in capsys.readouterr().out


def test_a_bad_sweep_is_told_with_the_file(panel_file, tmp_path, capsys):
    words = ["search", str(panel_file), "--out", str(tmp_path / "out"), "--sweep"]
    assert main([*words, "limit=1,2"]) == 2
    assert capsys.readouterr().err.startswith(f"{panel_file}: --sweep: 'limit' may be any of 2 demands (name one ")
    assert main([*words, "gauge=1,40"]) == 2
    assert capsys.readouterr().err.startswith(f"{panel_file}: panel.gauges[1]: is 40")
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------------------------------------------------- draw


def test_draw_evaluates_again_and_writes(tmp_path, panel_file, made_up, capsys):
    panel = read_panel(panel_file)
    dies = {die.name: die for die in panel.tools.bead_dies}
    layout = Layout(1.0, (replace(LAYOUT.beads[0], die=dies["B16"], path=((40.0, 75.0), (160.0, 75.0))),))
    source = tmp_path / "layout.json"
    write_json(source, layout_document(panel, layout, {}))
    assert main(["draw", str(source), "--out", str(tmp_path / "out")]) == 0
    assert [one.beads for one, _ in made_up] == [layout.beads, ()]
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == WRITTEN - {"template_back.pdf"}
    assert read_layout(tmp_path / "out" / "layout.json")[1] == layout
    assert capsys.readouterr().out.startswith("met: 1 mm")


@pytest.mark.slow
def test_all_files_of_a_layout_share_one_process_plan(tmp_path, hatch_file, made_up):
    """Counted while all files are written: rolling order, trim allowance, rough outline and the rest once each."""
    source = tmp_path / "layout.json"
    write_json(source, layout_document(read_panel(hatch_file), LAYOUT, {}))
    made_once = (
        process_plan.process_plan, rollability.rolling_order, rollability.frame_sides, rough_blank.max_draw_in,
        rough_blank.trim_allowance, rough_blank.rough_outline, rolling_bow.rolling_bow, work_steps.work_steps,
        cautions.bench_cautions,
    )  # fmt: skip
    names = {function.__code__: function.__name__ for function in made_once}
    calls = Counter()
    sys.setprofile(lambda frame, event, _: calls.update([frame.f_code] if event == "call" else []))
    try:
        main(["draw", str(source), "--out", str(tmp_path / "out")])
    finally:
        sys.setprofile(None)
    assert (tmp_path / "out" / "marking_back.dxf").exists()
    assert {name: calls[code] for code, name in names.items()} == dict.fromkeys(names.values(), 1)


# ------------------------------------------------------------------------------------------------------------ trial


def test_trial_writes_the_strip_and_a_copy_of_the_tools(panel_file, tmp_path, capsys):
    out = tmp_path / "strip"
    assert main(["trial", str(panel_file), "--die", "B16", "--out", str(out), "--paper", "letter"]) == 0
    assert capsys.readouterr().out == f"trial strip of die B16 in 1 mm 5754-H111; in {out}\n"
    assert {path.name for path in out.iterdir()} == {"trial.pdf", "trial.txt", "tools.toml"}
    assert "thickness = 1\n" in (out / "trial.txt").read_text()
    assert main(["trial", str(panel_file), "--die", "B16", "--gauge", "1.5", "--out", str(out)]) == 0
    assert "thickness = 1.5\n" in (out / "trial.txt").read_text()


def test_trial_makes_a_strip_for_each_die(panel_file, tmp_path, capsys):
    out = tmp_path / "strips"
    dies = ["--die", "B16", "--die", "B20", "--die", "B16"]
    assert main(["trial", str(panel_file), *dies, "--out", str(out)]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2
    names = {path.name for path in out.iterdir()}
    assert names == {"trial_B16.pdf", "trial_B16.txt", "trial_B20.pdf", "trial_B20.txt", "tools.toml"}
    assert 'die = "B20"' in (out / "trial_B20.txt").read_text()
    assert main(["trial", str(panel_file), "--die", "B16", "--die", "X1", "--out", str(out / "none")]) == 2
    assert not (out / "none").exists()


def test_trial_tells_which_dies_there_are(panel_file, tmp_path, capsys):
    assert main(["trial", str(panel_file), "--die", "X1", "--out", str(tmp_path / "strip")]) == 2
    assert '--die: "X1" is no bead die of this panel (one of: B12, B16' in capsys.readouterr().err
    assert not (tmp_path / "strip").exists()


def test_a_back_drawing_that_is_no_longer_needed_is_removed(tmp_path, panel_file, made_up):
    panel = read_panel(panel_file)
    write_json(tmp_path / "layout.json", layout_document(panel, panel.layout(1.0), {}))
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "marking_back.dxf").write_text("of an earlier layout")
    main(["draw", str(tmp_path / "layout.json"), "--out", str(tmp_path / "out"), "--paper", "roll"])
    assert (tmp_path / "out" / "marking.dxf").exists()
    assert not (tmp_path / "out" / "marking_back.dxf").exists()


# ------------------------------------------------------------------------------------------------- compare and tally


@pytest.fixture
def two(tmp_path, hatch_file):
    """Two folders with layouts of one panel: the flat sheet and the made-up layout, each with its result."""
    panel = read_panel(hatch_file)
    for name, evaluated in (("plain", replace(GOOD, layout=Layout(1.0))), ("beaded", GOOD)):
        beads = tuple(replace(bead, die=panel.tools.bead_die("B16"), side="up") for bead in evaluated.layout.beads)
        layout = Layout(1.0, beads)
        told = replace(evaluated, layout=layout, mass_kg=panel.mass(layout), demands=evaluated.demands[::2])
        demands = [replace(one, limit=limit) for one, limit in zip(told.demands, (1.0, 20), strict=True)]
        (tmp_path / name).mkdir()
        result = result_json.result_document(panel, replace(told, demands=tuple(demands)))
        write_json(tmp_path / name / "layout.json", layout_document(panel, layout, result))
    return tmp_path / "plain", tmp_path / "beaded"


def test_compare_takes_the_results_in_the_files(two, tmp_path, capsys, monkeypatch):
    def check(*args, **options):
        raise AssertionError("judged again")

    monkeypatch.setattr(evaluation, "check", check)
    assert main(["compare", *map(str, two), "--out", str(tmp_path / "both")]) == 0
    out = capsys.readouterr().out
    assert "1 plain" in out
    assert "2 (beaded) against 1 (plain): same mass; deflection wind the same" in out
    assert (tmp_path / "both" / "compare.txt").read_text() == out
    assert {path.name for path in (tmp_path / "both").iterdir()} == {"compare.txt", "compare.png"}


def test_compare_evaluates_a_layout_edited_by_hand_and_all_if_asked(two, tmp_path, capsys, made_up):
    file = two[1] / "layout.json"
    data = json.loads(file.read_text())
    data["beads"][0]["path"][0][0] += 1.0
    file.write_text(json.dumps(data))
    main(["compare", *map(str, two), "--out", str(tmp_path / "both"), "--mesh", "quick"])
    assert [(layout.beads[0].path[0][0], options["mesh_level"]) for layout, options in made_up] == [(61.0, "quick")]
    main(["compare", *map(str, two), "--out", str(tmp_path / "both"), "--judge"])
    assert len(made_up) == 3


def test_compare_says_which_layout_could_not_be_evaluated(two, tmp_path, capsys, monkeypatch):
    def check(*args, **options):
        raise MeshError("no mesh")

    monkeypatch.setattr(evaluation, "check", check)
    assert main(["compare", *map(str, two), "--out", str(tmp_path / "both"), "--judge"]) == 3
    told, help_ = capsys.readouterr().err.splitlines()
    assert told == f"{two[0] / 'layout.json'}: no mesh" and "what may help: another --mesh" in help_
    assert not (tmp_path / "both").exists()


@pytest.mark.parametrize(("count", "told"), [(1, "got 1 layouts"), (7, "got 7 layouts")])
def test_compare_takes_two_to_six(two, tmp_path, capsys, count, told):
    assert main(["compare", *[str(two[0])] * count, "--out", str(tmp_path / "x")]) == 2
    assert told in capsys.readouterr().err


def test_tally_adds_up_and_writes_csv(two, tmp_path, capsys):
    assert main(["tally", str(tmp_path), "--csv", str(tmp_path / "build.csv"), "--sheet", "1200x800"]) == 0
    out = capsys.readouterr().out
    assert "2 in all" in out
    assert "5754-H111 1 mm: 1 x 1200 x 800 mm" in out
    assert (tmp_path / "build.csv").read_text().count("\n") == 3
    assert main(["tally", str(two[0]), str(two[0]), str(two[0] / "layout.json")]) == 0
    assert "3 in all" in capsys.readouterr().out


def test_tally_says_what_was_not_evaluated_and_what_fits_no_sheet(two, tmp_path, capsys):
    file = two[1] / "layout.json"
    file.write_text(json.dumps({**json.loads(file.read_text()), "result": None}))
    assert main(["tally", str(two[1])]) == 1
    assert "not judged" in capsys.readouterr().out
    assert main(["tally", str(two[0]), "--sheet", "100x100"]) == 1
    assert "larger than the sheet" in capsys.readouterr().out


def test_a_folder_without_layouts_is_told(tmp_path, capsys):
    assert main(["tally", str(tmp_path)]) == 2
    assert f"{tmp_path}: holds no layout.json" in capsys.readouterr().err
    assert main(["tally", str(tmp_path / "gone")]) == 2
    assert "there is no such file" in capsys.readouterr().err


# --------------------------------------------------------------------------------------------------- what is printed


@pytest.mark.slow
def test_json_on_the_screen_is_all_that_is_printed(hatch_file, tmp_path, made_up, search_finds, capsys):
    search_finds(found())
    layout = tmp_path / "layout.json"
    write_json(layout, layout_document(read_panel(hatch_file), LAYOUT, {}))
    for argv in (
        ["check", str(hatch_file), "--json", "-"],
        ["search", str(hatch_file), "--out", str(tmp_path / "a"), "--json", "-"],
        ["draw", str(layout), "--out", str(tmp_path / "b"), "--json", "-"],
    ):
        assert main(argv) == 0
        out, err = capsys.readouterr()
        assert json.loads(out)["status"] == "met"
        assert err == ""
    assert not (tmp_path / "-").exists()


@pytest.mark.slow
def test_json_of_a_search_goes_where_it_is_asked_for(hatch_file, tmp_path, search_finds, capsys):
    search_finds(found())
    main(["search", str(hatch_file), "--out", str(tmp_path / "out"), "--json", str(tmp_path / "r.json")])
    assert json.loads((tmp_path / "r.json").read_text())["search"]["seed"] == 0
    assert capsys.readouterr().out.startswith("met: ")


@pytest.mark.slow
@pytest.mark.parametrize("command", [["check"], ["search", "--out", "out"], ["stock"], ["check", "--help"]], ids=str)
def test_no_colours_and_no_screen_codes_even_on_a_terminal(
    hatch_file, tmp_path, made_up, search_finds, capsys, monkeypatch, command
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("NO_COLOR", "1")
    search_finds(found())
    main([command[0], *([str(hatch_file)] if command[0] != "stock" else []), *command[1:]])
    assert "\x1b" not in "".join(capsys.readouterr())


@pytest.mark.slow
def test_earlier_files_are_removed_with_the_first_layout_found(hatch_file, tmp_path, search_finds):
    out = tmp_path / "out"
    search_finds(found())
    main(["search", str(hatch_file), "--out", str(out)])
    sheets = {path.name for path in out.iterdir()} - {"layout.json", "panel.png"}  # panel.png shows no layout
    assert all(any(Path(name).match(pattern) for pattern in BENCH_FILE_PATTERNS) for name in sheets), (
        "a sheet that would be left"
    )
    (out / "notes.txt").write_text("mine")
    search_finds(SolverError("after the first layout"))
    assert main(["search", str(hatch_file), "--out", str(out)]) == 3
    assert {path.name for path in out.iterdir()} == {"layout.json", "panel.png", "notes.txt"}


# ---------------------------------------------------------------------------------------------------- new and stock


def test_new_writes_a_panel_that_can_be_read(tmp_path, capsys):
    path = tmp_path / "mine.toml"
    assert main(["new", str(path)]) == 0
    assert f"stiffen check {path}" in capsys.readouterr().out
    assert read_panel(path).demands


def test_new_leaves_a_file_alone(tmp_path, capsys):
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    assert main(["new", str(path)]) == 2
    assert path.read_text() == "mine"
    assert f"{path}: is there already" in capsys.readouterr().err


def test_stock_lists_materials_and_tools_with_units(capsys):
    assert main(["stock"]) == 0
    out = capsys.readouterr().out
    for name in (*stiffen.materials(), "B16", "L50"):
        assert name in out
    for unit in ("E GPa", "kg/m3", "yield MPa", "width mm", "cut dia. mm", "throat 450 mm"):
        assert unit in out


# ------------------------------------------------------------------------------------------------- faults and status


def test_every_fault_is_told_on_a_line_with_the_file(tmp_path, capsys):
    path = tmp_path / "bad.toml"
    path.write_text(PANEL_FILE.format(limit=-1.0).replace('"5754-H111"', '"cheese"').replace('"pinned"', '"glued"'))
    assert main(["check", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert len(lines) == 3
    assert all(line.startswith(f"{path}: ") for line in lines)
    for part in ("panel.material", "support[1].hold", "demand[1].limit"):
        assert part in err


@pytest.mark.parametrize(
    "command", [["check"], ["search", "--out", "out"], ["draw", "--out", "out"]], ids=lambda c: c[0]
)
def test_a_missing_file_is_told_once(command, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([command[0], "nothing.toml", *command[1:]]) == 2
    assert capsys.readouterr().err.count("nothing.toml") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("error", [MeshError, SolverError])
def test_a_failed_solve_is_status_3(panel_file, capsys, monkeypatch, error):
    def check(*args, **options):
        raise error("nothing holds the sheet")

    monkeypatch.setattr(evaluation, "check", check)
    assert main(["check", str(panel_file)]) == 3
    told, help_ = capsys.readouterr().err.splitlines()
    assert told == f"{panel_file}: nothing holds the sheet"
    assert help_.startswith("  what may help: ") and "--mesh" in help_


def test_a_fault_inside_stiffen_shows_no_traceback(panel_file, capsys, monkeypatch):
    def check(*args, **options):
        return {}["key"]

    monkeypatch.setattr(evaluation, "check", check)
    assert main(["check", str(panel_file)]) == 3
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "a fault inside stiffen" in err
    assert "KeyError: 'key' (test_commands.py, line " in err


@pytest.mark.parametrize("options", [["--out", "{file}"], ["--out", "{file}/deeper"]], ids=["a file", "below a file"])
def test_a_folder_that_cannot_be_made(panel_file, tmp_path, capsys, options):
    (tmp_path / "taken").write_text("x")
    words = [word.format(file=tmp_path / "taken") for word in options]
    assert main(["search", str(panel_file), *words]) == 2
    assert str(tmp_path / "taken") in capsys.readouterr().err


def test_a_result_that_cannot_be_written(panel_file, tmp_path, capsys, made_up):
    target = tmp_path / "nowhere" / "r.json"
    assert main(["check", str(panel_file), "--json", str(target)]) == 2
    assert f"{target}: cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["search", "p.toml"], "--out"),
        (["search", "p.toml", "--out", "o", "--seconds", "-3"], "not a number of seconds greater than 0"),
        (["search", "p.toml", "--out", "o", "--seconds", "nan"], "not a number of seconds greater than 0"),
        (["search", "p.toml", "--out", "o", "--seed", "x"], "not a whole number"),
        (["check", "p.toml", "--gauge", "thick"], "not a number of mm greater than 0"),
        (["check", "p.toml", "--mesh", "silk"], "quick"),
        (["tally", "out", "--sheet", "2000"], "'2000' is not a sheet size in mm, such as 2000x1000"),
        (["tally", "out", "--sheet", "2000x-1"], "is not a sheet size in mm"),
        (["melt"], "melt"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_options_are_bad_input(words, told, capsys):
    assert main(words) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    "command", ["ask", "show", "check", "search", "draw", "trial", "compare", "tally", "new", "stock"]
)
def test_every_command_has_help_with_examples(command, capsys):
    assert main([command, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Examples:" in out
    assert f"stiffen {command}" in out
    assert all(len(line) <= 110 for line in out.splitlines())


def test_documents_name_every_command_and_option(capsys):
    page = (Path(__file__).parents[2] / "docs" / "commands.md").read_text(encoding="utf-8")
    for command in ("ask", "show", "check", "search", "draw", "trial", "compare", "tally", "new", "stock"):
        main([command, "--help"])
        assert f"stiffen {command}" in page
        options = set(re.findall(r"--[a-z]+", capsys.readouterr().out)) - {"--help", "--quiet"}
        assert all(option in page for option in options), options


def test_version_is_the_packages(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"stiffen {stiffen.__version__}\n"


def test_help_loads_nothing_heavy():
    heavy = {"numpy", "scipy", "tqdm"}
    code = f"import sys; from stiffen.cli import main; main(['--help']); print({heavy} & set(sys.modules))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=SOURCE)
    assert run.stdout.endswith("set()\n")


def test_runs_as_a_module(tmp_path):
    run = subprocess.run(
        [sys.executable, "-m", "stiffen", "check", "nothing.toml"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=SOURCE,
    )
    assert run.returncode == 2
    assert run.stderr.startswith("nothing.toml: ")
