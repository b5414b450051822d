"""`stiffen photo` from the picture to a panel file that `stiffen check` reads; a picture of three million pixels."""

import numpy as np
import pytest
import shapely
from support.photo_cases import FOUR, HATCH, errors, lengths, photo_file
from support.rendered_photo import Shot

from stiffen.cli import main
from stiffen.io.panel_file import read_panel

SMALL = Shot(size=(2000, 1500), tilt=25, jpeg=95)
MEASURED = ("--across=160", "--along=240", "--longest=600", "--thickness=1")


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    return photo_file(tmp_path_factory.mktemp("photo") / "hatch.jpg", HATCH, FOUR, SMALL)


def words(photo, out, measured, *more):
    one = [f"--{name}={getattr(measured, name):.2f}" for name in ("across", "along", "longest", "thickness")]
    return ["photo", str(photo), *one, "--out", str(out), *more]


@pytest.mark.slow
def test_a_photo_becomes_a_panel(photo, tmp_path, capsys):
    out = tmp_path / "hatch.toml"
    measured = lengths(HATCH)
    assert main(words(photo, out, measured, "--name", "battery hatch")) == 0
    told = capsys.readouterr().out
    assert "outline of 4 lines and 6 arcs, 6 round holes" in told and "expected error: 95 %" in told
    assert {one.name for one in tmp_path.iterdir()} == {"hatch.toml", "hatch.dxf", "hatch.png"}
    panel = read_panel(out)
    x, y = np.array(panel.outline).T
    assert (x.min(), y.min()) == pytest.approx((0, 0), abs=0.1)
    assert (x.max(), y.max()) == pytest.approx((500, 400), abs=0.5)
    assert [cutout.circle[2] for cutout in panel.cutouts] == pytest.approx([30.0], abs=0.3)
    holes = [(*at, support.diameter) for support in panel.supports for at in support.at]
    holes += [cutout.circle for cutout in panel.cutouts]
    dense = shapely.get_coordinates(shapely.segmentize(shapely.LinearRing(panel.outline), 0.5))
    outline, places, widths = errors(HATCH, dense, holes)
    assert outline < 0.5 and max(places) < 0.4 and max(widths) < 0.4  # limits are those of docs/photo.md
    (rivets,) = (support for support in panel.supports if support.kind == "rivets")
    assert len(rivets.at) == 3
    assert not panel.loads and not panel.demands  # nothing is invented
    assert main(["check", str(out), "--mesh", "quick"]) == 0
    assert "nothing asked" in capsys.readouterr().out
    # What is there is not overwritten.
    before = out.read_bytes()
    assert main(words(photo, out, measured)) == 2
    assert "is there already" in capsys.readouterr().err and out.read_bytes() == before


def test_missing_lengths_are_asked_for(photo, tmp_path, capsys):
    assert main(["photo", str(photo), "--across", "160.8", "--out", str(tmp_path / "a.toml")]) == 2
    told = capsys.readouterr().err
    for name in ("along", "longest", "thickness"):
        assert f"--{name}: is missing (measure" in told
    assert "--across" not in told and not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["a.jpg", "--out", "b/a.toml", *MEASURED], "there is no such folder"),
        (["--out", "a.toml"], "no photo is named"),
        (
            ["a.jpg", "--out", "a.txt", "--across=160", "--along=240", "--longest=600", "--thickness=1"],
            "end it in .toml",
        ),
        (["a.jpg", "--out", "a.toml", "--across=160", "--along=240", "--longest=600", "--thickness=1"], "no such file"),
        (
            ["a.jpg", "--out", "a.toml", "--across=151", "--along=240", "--longest=600", "--thickness=1"],
            "printed at 94.4%",
        ),
        (["a.jpg", "--out", "a.toml", "--across=160", "--along=240", "--longest=600", "--thickness=9"], "0.05 to 6 mm"),
        (["a.jpg", "--board", "--out", "a.pdf"], "has no meaning with --board"),
        (["--board", "--out", "a.toml"], "end it in .pdf"),
        (["--board", "--pages", "13", "--out", "a.pdf"], "1 to 12 pages"),
    ],
)
def test_wrong_input_is_refused(words, told, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["photo", *words]) == 2
    assert told in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0 half a JPEG", b"II*\0"])
def test_what_is_no_picture_is_refused(content, tmp_path, capsys):
    (tmp_path / "a.jpg").write_bytes(content)
    assert main(words(tmp_path / "a.jpg", tmp_path / "a.toml", lengths(HATCH))) == 2
    assert "is not a picture that can be read" in capsys.readouterr().err


def test_board_is_written(tmp_path, capsys):
    assert main(["photo", "--board", "--pages", "1", "--out", str(tmp_path / "board.pdf")]) == 0
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF")
    assert "100 %" in capsys.readouterr().out
