"""The installed command on other machines: odd paths, other consoles, no home folder to write in, no display."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PANEL = ROOT / "examples" / "battery_hatch.toml"
KEPT = ROOT / "tests" / "kept" / "layouts" / "battery_hatch.json"
NAME = "Deckel für Größe ✓ 100 µm"  # cp1252 lacks the tick, a 7-bit console the umlauts too
LEFT_OUT = {"DISPLAY", "WAYLAND_DISPLAY", "MPLBACKEND", "MPLCONFIGDIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"}
LEFT_OUT |= {"PYTHONUTF8", "PYTHONIOENCODING", "LANG", "LC_ALL", "LC_CTYPE"}
SURROUNDINGS = {
    "utf-8": ({"LC_ALL": "C.UTF-8"}, "utf-8", NAME),
    "cp1252": ({"LC_ALL": "C.UTF-8", "PYTHONIOENCODING": "cp1252"}, "cp1252", NAME.replace("✓", "?")),
    "7-bit": (
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        "ascii",
        "Deckel f?r Gr??e ? 100 ?m",
    ),
}


@pytest.fixture
def folder(tmp_path):
    """A folder with blanks and umlauts in its name, and a home folder that cannot be written."""
    (tmp_path / "home").mkdir(mode=0o500)
    made = tmp_path / "Blech für Räder, 2. Satz"
    made.mkdir()
    return made


def run(folder, surroundings, *words):
    """The installed command, in the folder; its stdout and stderr as bytes."""
    environment = {name: value for name, value in os.environ.items() if name not in LEFT_OUT}
    home = "/proc/home" if sys.platform == "linux" else str(folder.parent / "home")  # root writes everywhere else
    environment |= {"HOME": home, "PYTHONPATH": str(ROOT), **surroundings}
    command = shutil.which("stiffen", path=str(Path(sys.executable).parent))
    done = subprocess.run([command, *words], cwd=folder, env=environment, capture_output=True, timeout=120)
    assert done.returncode in (0, 1), done.stderr  # met or not met
    assert done.stderr == b""
    return done.stdout


@pytest.mark.slow
@pytest.mark.parametrize(("surroundings", "encoding", "shown"), SURROUNDINGS.values(), ids=SURROUNDINGS)
def test_command_runs(folder, surroundings, encoding, shown):
    run(folder, surroundings, "new", "größer als alle.toml")
    assert "[panel]" in (folder / "größer als alle.toml").read_text(encoding="utf-8")
    panel = folder / "Klappe für den Akku.toml"
    text = PANEL.read_text(encoding="utf-8").replace('\nname = "', f'\nname = "{NAME} ', 1)
    assert NAME in text
    panel.write_text(text, encoding="utf-8")
    assert "5754" in run(folder, surroundings, "stock").decode("utf-8" if encoding == "utf-8" else "cp1252")
    out = run(folder, surroundings, "check", panel.name, "--mesh", "quick", "--json", "Ergebnis ä.json")
    assert out.startswith(shown.encode(encoding))
    assert json.loads((folder / "Ergebnis ä.json").read_text(encoding="utf-8"))["panel"].startswith(NAME)
    printed = json.loads(run(folder, surroundings, "check", panel.name, "--mesh", "quick", "--json", "-"))
    assert printed["panel"].startswith(NAME)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cp1252", "7-bit"])
def test_drawings_are_written(folder, name):
    surroundings, encoding, _ = SURROUNDINGS[name]
    layout = KEPT.read_text(encoding="utf-8").replace('"battery hatch"', json.dumps(NAME))
    assert json.dumps(NAME) in layout
    (folder / "Lösung.json").write_text(layout, encoding="utf-8")
    out = run(folder, surroundings, "draw", "Lösung.json", "--out", "für die Werkbank", "--mesh", "quick")
    folder_told = "in für die Werkbank; open".encode(encoding if encoding == "cp1252" else "utf-8")  # 7 bits: as typed
    assert folder_told in out.splitlines()[-1]
    written = folder / "für die Werkbank"
    assert NAME in (written / "report.html").read_text(encoding="utf-8")
    assert json.loads((written / "layout.json").read_text(encoding="utf-8"))
    assert NAME.upper() in (written / "card.txt").read_text(encoding="utf-8")
    assert (written / "template.pdf").read_bytes().startswith(b"%PDF")
    assert (written / "marking.dxf").exists()
