"""`stiffen proof`, run inside the test process: what it writes, and how bad input ends."""

import json
import re

import pytest
from support.panels import Demand

from stiffen.cli.entry import main
from stiffen.io.panel_file import layout_document, panel_from_dict, write_json
from stiffen.model.layout import Layout

SOURCE = {
    "panel": {
        "name": "lid", "material": "5754-H111", "gauges": [1.0], "outline": [[0, 0], [200, 0], [200, 140], [0, 140]],
    },
    "support": [{"kind": "edge", "along": "outline", "in_plane": "free"}],
    "demand": [{"kind": "softness", "force": 10, "limit": 1.0}],
}  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    write_layout(tmp_path, SOURCE)
    return tmp_path


def write_layout(path, source, gauge=1.0):
    panel = panel_from_dict(source, path)
    assert panel.demands[0] == Demand("softness", 1.0, force=10.0)
    write_json(path / "layout.json", layout_document(panel, Layout(gauge), None))


def run(*arguments):
    return main(["proof", *map(str, arguments), "--quiet", "--mesh", "quick"])


@pytest.mark.slow
def test_page_form_and_answer(folder, capsys):
    assert run(folder) == 0
    assert {"proof.pdf", "proof.txt", "proof.json", "readings.toml"} <= {path.name for path in folder.iterdir()}
    page = (folder / "proof.txt").read_text(encoding="utf-8")
    assert "EN 485-4" in page and "60 x 60 mm" in page and "A design aid" in page
    assert re.search(r"A +1 +0\.\d\d +0\.\d\d to 0\.\d\d +dial", page)
    expected = json.loads((folder / "proof.json").read_text())["expected"]
    full = next(one for one in expected if one["name"] == "A, 1 kg")
    form = (folder / "readings.toml").read_text()
    assert form.count("mm = []") == sum(one["unit"] == "mm" for one in expected)
    capsys.readouterr()
    filled = form.replace("thickness = []", "thickness = [1.0]").replace(
        "kg = 1\nmm = []", f"kg = 1\nmm = [{full['value']}]", 1
    )
    (folder / "readings.toml").write_text(filled)
    assert run(folder, "--readings", folder / "readings.toml") == 0
    assert "as computed" in capsys.readouterr().out
    assert (folder / "readings.toml").read_text() == filled, "what the user wrote stays"
    assert run(folder, "--push", f"A:1={3 * full['value']:.3f}", "--json", "-") == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["measured"]["thickness"] == [1.0], "values are kept and added to"
    assert answer["answer"]["state"] == "softer"
    write_layout(folder, SOURCE, gauge=1.2)  # the sheet was exchanged meanwhile
    assert run(folder) == 2
    assert "another layout" in capsys.readouterr().err
    assert run(folder, "--new") == 0
    assert json.loads((folder / "proof_old.json").read_text())["measured"]["thickness"] == [1.0]


@pytest.mark.parametrize(
    "arguments, said",
    [
        (("--push", "A=2"), "is not PLACE:KG=MM"),
        (("--push", "A:-5=2"), "mass must be more than 0"),
        (("--push", "A:5=-2"), "reads more than 0 mm"),
        (("--push", "A:5=nan"), "reads more than 0 mm"),
        (("--thickness", "-1"), "greater than 0"),
        (("--depth", "5.2"), "is not DIE=MM"),
        (("--depth", "B16=deep"), "greater than 0"),
        (("--thickness", "99"), "at most 6 mm"),
        (("--readings", "nowhere.toml"), "no such file"),
    ],
)
def test_bad_values_end_with_a_clear_fault(folder, capsys, arguments, said):
    assert run(folder, *arguments) == 2
    assert said in capsys.readouterr().err
    assert not (folder / "proof.json").exists()


def test_folders_without_a_layout(tmp_path, capsys):
    assert run(tmp_path / "none") == 2
    assert "there is no such folder" in capsys.readouterr().err
    assert run(tmp_path) == 2
    assert "holds no layout.json" in capsys.readouterr().err
    (tmp_path / "layout.json").write_text("{")
    assert run(tmp_path) == 2
    assert "not JSON" in capsys.readouterr().err
    assert run(tmp_path / "layout.json") == 2
    assert "is a file, not a folder" in capsys.readouterr().err


def test_a_broken_proof_file_is_told(folder, capsys):
    (folder / "proof.json").write_text('{"format": "stiffen proof", "version": 1}')
    assert run(folder) == 2
    assert "is not a proof that this version wrote" in capsys.readouterr().err
    assert (folder / "proof.json").read_text().startswith("{")
