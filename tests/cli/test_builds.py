"""Commands on a build file."""

import json
import shutil
from pathlib import Path

import pytest
from pypdf import PdfReader

from stiffen.cli.entry import main
from stiffen.io.panel_file import read_layout

BOX = Path(__file__).parents[1] / "assembly" / "box"


@pytest.fixture
def box(tmp_path):
    shutil.copytree(BOX, tmp_path / "box")
    return tmp_path / "box" / "box.toml"


def test_check_tells_joints_demands_and_mass(box, capsys):
    assert main(["check", str(box), "--mesh", "quick"]) == 1  # each panel by itself meets, the box does not
    out = capsys.readouterr().out
    assert "every joint closes" in out and "side left, side right: 5754-H111, 0.8 mm" in out
    assert out.count("frequency  >=") == 2  # the mirror image is not computed again
    assert "0.152 kg under the target, 0.5 kg" in out and out.endswith("not met\n")
    assert "WHAT HOLDS EACH EDGE" in out and "judged as one thing: 3 of 3 demands missed; first frequency" in out


def test_a_build_with_a_loose_part_is_told_and_its_panels_are_judged(box, capsys):
    """A strip with a place that no joint holds: no whole to judge, and the panels are."""
    text = box.read_text(encoding="utf-8")
    first, _, _, *kept = text.split("[[joint]]")
    box.write_text("[[joint]]".join([first, *kept]), encoding="utf-8")
    assert main(["check", str(box), "--mesh", "quick"]) == 0
    out = capsys.readouterr().out
    told = next(line for line in out.splitlines() if line.startswith("not judged as one thing: build: it is not held:"))
    assert "strip left can" in told and out.endswith("met\n")


def test_tally_lists_what_to_buy_and_the_order_of_work(box, capsys, tmp_path):
    assert main(["tally", str(box), "--csv", str(tmp_path / "t.csv")]) == 1  # nothing is computed
    out = capsys.readouterr().out
    assert "28 rivets in all joints, each counted once: 28 minutes" in out
    assert "strip left: blank 280 x 37.8 mm, fold line 18.9 mm" in out
    assert "5754-H111 1 mm is bought for strip left, strip right alone. Of 0.8 mm they would" in " ".join(out.split())
    box.write_text(box.read_text().replace("thickness = 1.0", "thickness = 0.8"))
    assert main(["tally", str(box)]) == 1
    assert "5754-H111 0.8 mm: strip left, strip right come from its offcuts." in capsys.readouterr().out
    steps = [line.strip() for line in out.splitlines()]
    order = [next(i for i, line in enumerate(steps) if word in line) for word in ("Fold strip", "Joint 1:", "Set the")]
    assert order == sorted(order)
    assert (tmp_path / "t.csv").read_text().count("\n") == 6


def test_bad_builds_are_bad_input_and_nothing_is_written(box, tmp_path, capsys):
    box.write_text(box.read_text().replace('mates = ["base"]', 'mates = ["basis"]', 1))
    out = tmp_path / "out"
    assert main(["search", str(box), "--out", str(out)]) == 2
    err = capsys.readouterr().err
    assert f'{box}: joint[1].mates[1]: is "basis": no such panel or strip' in err and not out.exists()
    assert main(["tally", str(BOX / "box.toml"), str(tmp_path / "gone")]) == 2
    assert "gone: holds no layout of a panel of " in capsys.readouterr().err
    assert main(["check", str(BOX / "box.toml"), "--rival"]) == 2
    assert "--rival: " in capsys.readouterr().err
    assert main(["search", str(BOX / "box.toml"), "--out", str(out), "--sweep", "gauge=1"]) == 2
    assert "is a build" in capsys.readouterr().err and not out.exists()


def test_new_writes_a_build_file(tmp_path, capsys):
    assert main(["new", "--build", str(tmp_path / "b.toml")]) == 0
    assert main(["check", str(tmp_path / "b.toml")]) == 2  # it names panel files that are still to be written
    err = capsys.readouterr().err
    assert "panel[1].file: base.toml: there is no such file" in err
    assert len([line for line in err.splitlines() if "b.toml" in line]) == 3, err


@pytest.mark.slow
def test_search_writes_the_whole_folder(box, tmp_path, capsys):
    box.write_text(box.read_text().replace('name = "box"', 'name = "box"\ngauges = "one"', 1))
    out = tmp_path / "out"
    options = ["--mesh", "quick", "--effort", "quick", "--workers", "1"]
    assert main(["search", str(box), "--out", str(out), *options]) == 1  # each panel meets its demand, the whole sways
    told = capsys.readouterr().out
    assert "judged as one thing: 3 of 3 demands missed" in told and "NOT MET: box" in told
    names = {path.name for path in out.iterdir() if not path.name.startswith(".")}
    parts = {"base", "side_left", "side_right", "strip_left", "strip_right"}
    assert names == parts | {"build.json", "build.txt", "build.pdf", "build.html", "assembled.png", "sheets.png"}
    for part in parts:
        files = {one.name for one in (out / part).iterdir()}
        assert {"marking.dxf", "template.pdf", "card.pdf", "layout.json"} <= files
    left, right = (read_layout(out / name / "layout.json") for name in ("side_left", "side_right"))
    mirrored = sorted((300 - hole.at[0], hole.at[1]) for hole in left[1].holes)
    wanted = sorted(hole.at for hole in right[1].holes)
    assert [v for at in mirrored for v in at] == pytest.approx([v for at in wanted for v in at])
    data = json.loads((out / "build.json").read_text())
    assert data["status"] == "not met" and sum(joint["rivets"] for joint in data["joints"]) == 28
    assert "data:image/png" in (out / "build.html").read_text()
    assert "ORDER OF WORK" in "".join(page.extract_text() for page in PdfReader(out / "build.pdf").pages)
    assert main(["tally", str(box), str(out)]) == 0
