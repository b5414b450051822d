"""Broken input of every kind: exit status 2, a message with place and cure, no traceback, little time and memory, and
what was in the output folder stays as it was.

bad_input/ holds panel files, tools/, layouts/ and drawings/.  The second line of a TOML file lists the places of its
faults in file order.  MESSAGES holds the messages for the other files.  Files too large to keep are made by the test.
"""

import json
import os
import re
import stat
import subprocess
from math import atan2, degrees, hypot
from pathlib import Path

import pytest
from support.limited import Runner

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="limits of time and memory need a fork")

HERE = Path(__file__).parent / "bad_input"
FILES = sorted(path for path in HERE.rglob("*") if path.is_file())
MARK = b"# faults at: "
NO_DXF = "is not a readable DXF file (export it again as ASCII DXF, R2000 or later)"
NO_JSON = "is not JSON: line 1, column "
MESSAGES = {
    "binary.toml": "is not UTF-8 text in line 1 (save it as UTF-8)",
    "drawing.toml": "line 1, column 4: Expected '='",
    "empty.toml": "panel: is missing (a panel file has [panel] with",
    "latin1.toml": "is not UTF-8 text in line 2 (save it as UTF-8)",
    "layout.toml": "is not TOML (it looks like a layout (JSON); a TOML file is wanted here)",
    "utf16.toml": "is not UTF-8 text in line 1 (save it as UTF-8)",
    "tools/binary.toml": "is not UTF-8 text in line 1 (save it as UTF-8)",
    "layouts/bead_off_the_sheet.json": "beads[1].path: leaves the sheet at (400.0, 150.0) (keep it on the sheet",
    "layouts/bead_on_the_wrong_face.json": 'beads[1].side: is "down", but the panel allows beads on the up face only',
    "layouts/bead_unknown_die.json": 'beads[1].die: "B17" is no bead die of the tools (did you mean "B16"?)',
    "layouts/beads_no_list.json": "beads: is a table, not a list of tables",
    "layouts/cut_short.json": "is not JSON: line 26, column 6: Expecting value (a layout.json that search or draw",
    "layouts/empty.json": NO_JSON,
    "layouts/gauge_in_words.json": 'gauge: is "1 mm", not a number (take the quotes and the unit off)',
    "layouts/gauge_missing.json": "gauge: is missing (give a number, at least 0.1 and at most 6 mm)",
    "layouts/gauge_not_finite.json": "gauge: is nan, not a finite number",
    "layouts/hole_outside.json": "holes[1].at: (-20, 10) is not on the sheet (move it onto the sheet",
    "layouts/key_unknown.json": "notes: is not a key of a layout file",
    "layouts/list.json": "holds no JSON object (a layout.json that search or draw wrote is wanted here)",
    "layouts/number_too_long.json": "holds a number that is far too long (a layout.json",
    "layouts/other_format.json": 'is not a stiffen layout (its key "format" would be "stiffen layout")',
    "layouts/other_version.json": "has version 99, known is 1 (use the stiffen that wrote it)",
    "layouts/panel.json": NO_JSON,
    "layouts/panel_at_fault.json": "panel.panel.gauges: has no numbers (give one or more)",
    "layouts/panel_missing.json": "panel: is missing (a layout file holds its panel)",
    "drawings/all_layers_off.dxf": "holds no lines or arcs in model space (draw the outline as a closed loop)",
    "drawings/binary.dxf": NO_DXF,
    "drawings/block_in_itself.dxf": "has blocks nested more than 16 deep (explode the blocks)",
    "drawings/block_missing.dxf": NO_DXF,
    "drawings/crossing_itself.dxf": "has a loop that crosses or touches itself at (200.0, 150.0) (draw each loop once",
    "drawings/cut_out_over_the_edge.dxf": "has a cut-out around (400.0, 150.0) that reaches over the outline",
    "drawings/cut_short.dxf": NO_DXF,
    "drawings/dwg.dxf": "is a DWG file (export the drawing as DXF)",
    "drawings/empty.dxf": NO_DXF,
    "drawings/face_3d.dxf": "holds a solid or a face (3DFACE) (draw the flat outline with lines and arcs)",
    "drawings/far_away.dxf": "has coordinates beyond 1e+06 mm from the origin (move the sheet to the origin)",
    "drawings/fold_short_of_the_edge.dxf": "layer FOLD UP: line does not divide the sheet (a fold line runs from edge",
    "drawings/fold_without_side.dxf": "has a layer FOLD that does not say which way the fold goes (name it",
    "drawings/gap_too_wide.dxf": "has an open end at (400.00, 0.00); the next open end is 0.20 mm away (close the loop",
    "drawings/in_metres.dxf": "is 0.4 x 0.3 mm; a sheet is 50 to 10000 mm long and at least 1 mm wide (the drawing's",
    "drawings/in_miles.dxf": "is drawn in Miles (set its unit to mm, cm, m, inch or foot ($INSUNITS))",
    "drawings/leaning.dxf": "is not flat: its lines lie at heights from 0 to 50 mm (project it to one plane",
    "drawings/line_across.dxf": "has 3 lines that meet at (0.00, 0.00) (leave only the outline and the cut-outs",
    "drawings/millimetres_called_inches.dxf": "drawn in mm but marked as inches it would be 1600 x 1200 mm)",
    "drawings/not_a_number.dxf": "has coordinates beyond 1e+06 mm from the origin",
    "drawings/nothing_in_it.dxf": "holds no lines or arcs in model space (draw the outline",
    "drawings/only_text.dxf": "holds no lines or arcs in model space, only TEXT (1) (draw the outline",
    "drawings/open_loop.dxf": "has an open end at (0.00, 0.00); the next open end is 300.00 mm away (close the loop",
    "drawings/plain_text.dxf": NO_DXF,
    "drawings/polyline_3d.dxf": "is not flat: its lines lie at heights from 0 to 20 mm (project it to one plane",
    "drawings/rivet_off_the_sheet.dxf": "layer RIVET: at[1] (500, 150) is not on the sheet (move it onto the sheet)",
    "drawings/two_outlines.dxf": "has a second outline, 400.0 x 300.0 mm, around (800.0, 150.0) (one sheet a drawing",
    "drawings/utf16.dxf": NO_DXF,
    "drawings/words_for_numbers.dxf": NO_DXF,
}
OUTLINE = "outline = [[0, 0], [400, 0], [400, 300], [0, 300]]"
GOOD_PANEL = f"""
[panel]
name = "side cheek"
material = "5754-H111"
gauges = [1.0]
{OUTLINE}
[[support]]
kind = "edge"
along = "outline"
[[demand]]
kind = "frequency"
limit = 20
"""


@pytest.fixture(scope="module")
def run():
    with Runner() as runner:
        yield runner


@pytest.fixture
def out(tmp_path):
    """A folder in which an earlier search left something."""
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "layout.json").write_text('{"kept": true}')
    (folder / "marking.dxf").write_text("kept")
    return folder


def command(path, tmp_path, kind=None):
    """The command that reads a file of that kind, and the file name with which its error lines begin."""
    kind = kind or path.parent.name
    if kind == "tools":
        return ["stock", "--tools", path], path
    if kind == "layouts":
        return ["draw", path, "--out", tmp_path / "out"], path
    if kind == "drawings":
        panel = tmp_path / "panel.toml"
        panel.write_text(GOOD_PANEL.replace(OUTLINE, f'outline_dxf = "{path}"'))
        path = panel
    return ["search", path, "--out", tmp_path / "out"], path


def refused(ended, path, out):
    """Assert the properties of every refusal; returns the error lines without the file's name."""
    assert ended.status == 2, ended
    assert ended.out == ""
    assert "Traceback" not in ended.err
    lines = ended.err.splitlines()
    assert lines
    assert all(line.startswith(f"{path}: ") for line in lines)
    assert any(re.search(r" \(.+\)$|must be (at least|more than)", line) for line in lines), "no cure"
    assert all(len(line) < 1000 and line.isprintable() for line in lines)
    assert ended.seconds < 10
    assert ended.memory < 1e9
    assert sorted(item.name for item in out.iterdir()) == ["layout.json", "marking.dxf"]
    assert (out / "layout.json").read_text() == '{"kept": true}'
    assert (out / "marking.dxf").read_text() == "kept"
    return [line.removeprefix(f"{path}: ") for line in lines]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(HERE)))
def test_broken_file_is_refused_with_place_and_cure(path, run, tmp_path, out):
    argv, subject = command(path, tmp_path)
    messages = refused(run(*argv), subject, out)
    name = str(path.relative_to(HERE))
    second = (path.read_bytes().split(b"\n") + [b""])[1]
    if name in MESSAGES:
        assert any(MESSAGES[name] in line for line in messages)
        return
    assert second.startswith(MARK), "say in the second line where the faults lie"
    places = second.removeprefix(MARK).decode()
    if places.startswith(("line ", "Unclosed")):
        assert len(messages) == 1
        assert messages[0].startswith(places)
    else:
        assert [line.split(": ")[0] for line in messages] == places.split()


@pytest.mark.parametrize(("kind", "least"), [("bad_input", 50), ("tools", 10), ("layouts", 15), ("drawings", 25)])
def test_there_are_files_of_each_kind(kind, least):
    assert [path.parent.name for path in FILES].count(kind) >= least
    assert set(MESSAGES) <= {str(path.relative_to(HERE)) for path in FILES}


# --- files too large to keep -----------------------------------------------------------------------------------

HEAD = GOOD_PANEL.encode()
START = "0\nSECTION\n2\nHEADER\n9\n$ACADVER\n1\nAC1009\n0\nENDSEC\n0\nSECTION\n2\nENTITIES\n"
END = "0\nENDSEC\n0\nEOF\n"


def dxf(*entities):
    return (START + "".join(entities) + END).encode()


def line(i):
    return f"0\nLINE\n8\n0\n10\n{i}\n20\n0\n11\n{i + 1}\n21\n0\n"


def circle(i):
    return f"0\nCIRCLE\n8\n0\n10\n{i}\n20\n0\n40\n900000\n"


def arc(i):
    """From (100, 0) to (-100, 0), each with a slightly larger radius than the one before."""
    low = i * 0.01
    start = degrees(atan2(low, 100))
    return f"0\nARC\n8\n0\n10\n0\n20\n{-low}\n40\n{hypot(low, 100)}\n50\n{start}\n51\n{180 - start}\n"


def vertices(count):
    points = (f"0\nVERTEX\n8\n0\n10\n{i % 1000}\n20\n{i // 1000}\n" for i in range(count))
    return "0\nPOLYLINE\n8\n0\n66\n1\n70\n1\n" + "".join(points) + "0\nSEQEND\n8\n0\n"


def many(table, count):
    return HEAD + table.encode() * count


def comb(teeth):
    """An outline that runs up and down, legal but of many corners."""
    step = 400 / teeth
    points = [[round(i * step / 2, 4), 300 if i % 4 in (1, 2) else 200] for i in range(2 * teeth)]
    return GOOD_PANEL.replace("[0, 300]]", "[0, 300], " + ", ".join(map(str, points)) + "]").encode()


LARGE = {
    "50 MB of panel": ("panels", lambda: HEAD + b"# " + b"x" * 50_000_000, "has 50.0 MB; at most 2 MB are read"),
    "50 MB of tools": ("tools", lambda: b"a" * 50_000_000, "has 50.0 MB; at most 2 MB are read"),
    "50 MB of layout": ("layouts", lambda: b'{"a": "' + b"x" * 50_000_000 + b'"}', "has 50.0 MB; at most 10 MB"),
    "50 MB of drawing": ("drawings", lambda: dxf() + b" " * 50_000_000, "has 50.0 MB; at most 3 MB are read"),
    "nested lists": ("panels", lambda: b"a = " + b"[" * 500_000, "is nested too deep"),
    "nested tables": ("panels", lambda: b"a = " + b"{b = " * 100_000, "is nested too deep"),
    "nested JSON": ("layouts", lambda: b"[" * 5_000_000, "is nested too deep"),
    "nested JSON objects": ("layouts", lambda: b'{"a":' * 1_000_000, "is nested too deep"),
    "dotted key": ("panels", lambda: b"a" + b".a" * 100_000 + b" = 1", "line 1 is nested too deep"),
    "dotted heading": ("panels", lambda: b"\n\n['a'" + b" . 'a'" * 100_000 + b"]", "line 3 is nested too deep"),
    "key of a megabyte": ("panels", lambda: HEAD + b"x" * 1_000_000 + b" = 1", "is not a key of a demand"),
    "value of a megabyte": (
        "panels",
        lambda: HEAD + b'case = "' + b"x" * 1_000_000 + b'"',
        "give one line of 1 to 200",
    ),
    "100,000 loads": ("panels", lambda: many("[[load]]\n", 100_000), "load: occurs 100000 times (at most 1000"),
    "900 faulty loads": ("panels", lambda: many("[[load]]\n", 900), "more faults (mend these first)"),
    "900 cut-outs in one place": (
        "panels",
        lambda: many("[[cutout]]\ncircle = {centre = [200, 150], diameter = 90}\n", 900),
        "cutout[2]: meets the one around (200.0, 150.0)",
    ),
    "100,000 keys": ("panels", lambda: HEAD + b"".join(b"k%d = 1\n" % i for i in range(100_000)), "is not a key"),
    "100,000 corners": ("panels", lambda: comb(50_000), "has 100004 points (at most 10000: thin the line out)"),
    "9,000 corners": ("panels", lambda: comb(4_500) + b"limit = 1\n", "line "),
    "9,000 corners that cross": (
        "panels",
        lambda: comb(4_500).replace(b"[0, 300], [0.0, 200]", b"[0, 300], [0.0, -200]"),
        "panel.outline: crosses or touches itself",
    ),
    "30,000 lines": ("drawings", lambda: dxf(*map(line, range(0, 60_000, 2))), "has an open end at"),
    "45,000 lines": ("drawings", lambda: dxf(*map(line, range(45_000))), "holds more than 30000 lines"),
    "a polyline of 80,000 points": ("drawings", lambda: dxf(vertices(80_000)), "holds more than 30000 lines"),
    "20,000 lines from one point": (
        "drawings",
        lambda: dxf(*(f"0\nLINE\n8\n0\n10\n0\n20\n0\n11\n{i % 141}\n21\n{i // 141 + 1}\n" for i in range(20_000))),
        "lines that meet at (0.00, 0.00)",
    ),
    "20,000 ends in a spot": (
        "drawings",
        lambda: dxf(*(f"0\nLINE\n8\n0\n10\n{i * 1e-6}\n20\n0\n11\n{i}\n21\n9\n" for i in range(20_000))),
        "has thousands of lines that end in one place",
    ),
    "8,000 arcs between two points": (
        "drawings",
        lambda: dxf(*map(arc, range(8_000))),
        "has thousands of lines that end in one place",
    ),
    "20,000 circles about one point": (
        "drawings",
        lambda: dxf(*(f"0\nCIRCLE\n8\n0\n10\n0\n20\n0\n40\n{0.3 + i * 0.00001}\n" for i in range(20_000))),
        "has thousands of loops over each other",
    ),
    "2,000 folds": (
        "drawings",
        lambda: dxf(*(f"0\nLINE\n8\nFOLD UP\n10\n0\n20\n{i}\n11\n9\n21\n{i}\n" for i in range(2_000)), circle(0)),
        "marks more than 1000 folds, keep-outs and supports",
    ),
    "20,000 huge circles": ("drawings", lambda: dxf(*map(circle, range(20_000))), "more than 1000000 chords"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", LARGE)
def test_large_file_is_refused_soon(name, run, tmp_path, out):
    kind, content, said = LARGE[name]
    path = tmp_path / {"layouts": "l.json", "drawings": "d.dxf"}.get(kind, "p.toml")
    path.write_bytes(content())
    argv, subject = command(path, tmp_path, kind)
    messages = refused(run(*argv), subject, out)
    assert any(said in line for line in messages), messages[:3]


# --- paths that are not ordinary files ------------------------------------------------------------------------


def missing(path):
    pass


def folder(path):
    path.mkdir()


def link_to_nothing(path):
    path.symlink_to(path.with_name("gone.toml"))


def link_to_itself(path):
    path.symlink_to(path)


def link_to_a_folder(path):
    path.symlink_to(path.parent)


def pipe(path):
    os.mkfifo(path)


def endless_device(path):
    path.symlink_to("/dev/zero")


@pytest.mark.parametrize("kind", ["panels", "tools", "layouts", "drawings"])
@pytest.mark.parametrize(
    ("make", "message"),
    [
        (missing, "there is no such file (check the name and the folder)"),
        (folder, "is a folder (name the file in it)"),
        (link_to_nothing, "is a link to a file that is not there (check the name and the folder)"),
        (link_to_itself, "cannot be opened: too many levels of symbolic links (the link leads back to itself"),
        (link_to_a_folder, "is a folder (name the file in it)"),
        (pipe, "is not an ordinary file (save it as a file and name that)"),
        (endless_device, "is not an ordinary file"),
    ],
)
def test_what_is_no_file(kind, make, message, run, tmp_path, out):
    path = tmp_path / "thing"
    make(path)
    argv, subject = command(path, tmp_path, kind)
    (complaint,) = refused(run(*argv), subject, out)
    assert message in complaint


NOBODY = 65534
as_nobody = pytest.mark.skipif(os.name != "posix", reason="needs file permissions")


@pytest.fixture
def open_tmp(tmp_path):
    """`tmp_path`, open to every user; and the user to be, where it is not enough to be oneself."""
    for place in (tmp_path, *tmp_path.parents):
        if place.stat().st_uid != os.getuid() or place == Path("/tmp"):
            break
        place.chmod(place.stat().st_mode | stat.S_IXOTH | stat.S_IROTH)
    return NOBODY if os.getuid() == 0 else None


@as_nobody
def test_a_file_that_may_not_be_read(run, tmp_path, out, open_tmp):
    path = tmp_path / "panel.toml"
    path.write_text(GOOD_PANEL)
    path.chmod(0)
    (message,) = refused(run("search", path, "--out", out, user=open_tmp), path, out)
    assert message == "cannot be read: permission denied (take another place, or have its permissions changed)"


# --- places that cannot be written -----------------------------------------------------------------------------


@pytest.fixture
def panel(tmp_path):
    path = tmp_path / "panel.toml"
    path.write_text(GOOD_PANEL)
    return path


@as_nobody
def test_a_folder_that_may_not_be_written_to(run, panel, out, open_tmp):
    out.chmod(0o555)
    (message,) = refused(run("search", panel, "--out", out, user=open_tmp), out, out)
    assert message == "cannot be written to: permission denied (take another place, or have its permissions changed)"


@as_nobody
def test_a_folder_that_may_not_be_made(run, panel, out, open_tmp):
    out.chmod(0o555)
    (message,) = refused(run("search", panel, "--out", out / "new", user=open_tmp), out / "new", out)
    assert message == "cannot be made: permission denied (take another place, or have its permissions changed)"


def test_a_file_in_the_folders_place(run, panel, out):
    taken = out / "layout.json"
    (message,) = refused(run("search", panel, "--out", taken), taken, out)
    assert message == "is a file, not a folder (name a folder for the output)"


def test_disk_without_room_for_the_result(run, panel, out):
    target = out / "layout.json"  # the message fits into 600 bytes, the result does not
    ended = run("check", panel, "--mesh", "quick", "--json", target, file_size=600)
    (message,) = refused(ended, target, out)
    assert message.startswith("cannot be written: file too large (the disk or your account takes no file of that size")


def test_disk_without_room_for_a_search(run, panel, tmp_path):
    fresh = tmp_path / "fresh"  # its first file, the picture of the panel, tells it
    ended = run("search", panel, "--mesh", "quick", "--out", fresh, file_size=600)
    assert (ended.status, ended.out) == (2, "")
    assert f"{fresh / 'panel.png'}: cannot be written: file too large" in ended.err
    assert list(fresh.iterdir()) == []


@pytest.fixture
def full_disk(tmp_path):
    """A disk of 64 kB without any room."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(place)], capture_output=True)
    if made.returncode:
        pytest.skip("no disk can be mounted here")
    try:
        (place / "filling").write_bytes(bytes(64 * 1024 - 4096))
        (place / "filling2").write_bytes(bytes(4096))
    except OSError:
        pass
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk(run, panel, full_disk):
    before = sorted(item.name for item in full_disk.iterdir())
    ended = run("search", panel, "--mesh", "quick", "--out", full_disk)
    assert (ended.status, ended.out) == (2, "")
    assert f"{full_disk}: cannot be written to: no space left on device (the disk is full: make room" in ended.err
    assert sorted(item.name for item in full_disk.iterdir()) == before


def test_a_full_disk_for_a_result(run, panel, full_disk):
    ended = run("check", panel, "--mesh", "quick", "--json", full_disk / "r.json")
    assert (ended.status, ended.out) == (2, "")
    assert "r.json: cannot be written: no space left on device (the disk is full: make room" in ended.err


def test_a_good_file_is_not_refused(run, panel):
    ended = run("check", panel, "--mesh", "quick", "--json", "-")
    assert ended.status == 0
    assert json.loads(ended.out)["status"] == "met"
