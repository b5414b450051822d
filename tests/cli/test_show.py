"""`stiffen show`: the picture, the rows, and that nothing slow is loaded for it."""

import subprocess
import sys
from pathlib import Path

from stiffen.cli.entry import main

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_show_writes_the_picture_and_says_the_same_in_words(tmp_path, capsys):
    hatch = EXAMPLES / "battery_hatch.toml"
    assert main(["show", str(hatch), "--out", str(tmp_path / "seen.png")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "battery hatch"
    assert "  S1     held edge all round: may tilt, edges may pull in" in lines
    assert "  K1     no bead or hole here: cable clip" in lines
    assert lines[-1] == f"picture: {tmp_path / 'seen.png'}; next: stiffen check {hatch}"
    assert (tmp_path / "seen.png").stat().st_size > 10_000


def test_the_picture_lies_beside_the_file_unless_named(tmp_path, capsys):
    (tmp_path / "hatch.toml").write_text((EXAMPLES / "battery_hatch.toml").read_text())
    assert main(["show", str(tmp_path / "hatch.toml")]) == 0
    assert {path.name for path in tmp_path.iterdir()} == {"hatch.toml", "panel.png"}


def test_a_faulty_file_gives_its_faults_and_no_picture(tmp_path, capsys):
    (tmp_path / "lid.toml").write_text("[panel]\nname = 3\n")
    assert main(["show", str(tmp_path / "lid.toml")]) == 2
    assert "lid.toml: panel.name: is 3, not a text" in capsys.readouterr().err
    assert not (tmp_path / "panel.png").exists()


def test_a_place_that_cannot_be_written_is_an_error_with_its_name(tmp_path, capsys):
    assert main(["show", str(EXAMPLES / "battery_hatch.toml"), "--out", str(tmp_path / "no" / "seen.png")]) == 2
    assert f"{tmp_path / 'no' / 'seen.png'}: cannot be written" in capsys.readouterr().err


def test_nothing_that_solves_or_reads_drawings_is_loaded():
    slow = ["ezdxf", "reportlab", "sfepy", "stiffen.fem.shell", "stiffen.optimise.search.driver"]
    code = f"""
import sys
from stiffen.cli.entry import main
assert main(["show", {str(EXAMPLES / "battery_hatch.toml")!r}, "--out", "/dev/null/x"]) == 2
from stiffen.output.plots.panel_as_read import picture
print([name for name in {slow!r} if name in sys.modules])
"""
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stdout.splitlines()[-1] == "[]"
