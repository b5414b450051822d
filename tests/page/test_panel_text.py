"""The panel file's text on the page: faults stand at their line, values change and comments stay."""

import tomllib

import pytest

from stiffen.errors import InputError
from stiffen.page.panel_text import fault_rows, line_of, panel_of_text, with_drawing, with_value

TEXT = """\
# the lid of the tub
[panel]
name = "lid"
material = "5754-H111"
gauges = [0.8, 1.0]   # what the shop has
outline = [[0, 0], [300, 0], [300, 200], [0, 200]]
tools = "starter"

[[support]]
kind = "edge"
along = "outline"
in_plane = "free"     # a rubber seal

[[demand]]
kind = "frequency"
limit = 60

[[demand]]
kind = "softness"
force = 10
limit = 0.5           # mm
"""


def line(text, words):
    return next(number for number, line in enumerate(text.split("\n"), 1) if words in line)


def faults(text, folder):
    with pytest.raises(InputError) as caught:
        panel_of_text(text, folder)
    return fault_rows(text, caught.value)


def test_a_sound_text_is_a_panel(tmp_path):
    assert panel_of_text(TEXT, tmp_path).gauges == (0.8, 1.0)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("limit = 0.5", "limit = -3"),
        ('in_plane = "free"', 'in_plane = "loose"'),
        ("gauges = [0.8, 1.0]", "gauges = [0.8, 0]"),
        ('kind = "softness"', 'kind = "softnes"'),
        ("limit = 60", "limit = sixty"),
        ("limit = 60", "limit = 6,5"),
    ],
)
def test_a_fault_stands_at_its_line(tmp_path, old, new):
    text = TEXT.replace(old, new)
    assert faults(text, tmp_path)[0]["line"] == line(text, new)


def test_a_missing_key_stands_at_its_heading(tmp_path):
    text = TEXT.replace("limit = 0.5           # mm\n", "")
    assert faults(text, tmp_path)[0]["line"] == line(text, "softness") - 1
    assert line_of(TEXT, "nothing.here") == 0


def test_a_value_changes_and_comments_stay():
    changed = with_value(TEXT, ["demand", 1, "limit"], 0.25)
    assert tomllib.loads(changed)["demand"][1]["limit"] == 0.25
    assert changed == TEXT.replace("limit = 0.5 ", "limit = 0.25 ", 1)
    with pytest.raises(InputError):
        with_value(TEXT, ["demand", 7, "limit"], 1.0)
    with pytest.raises(InputError):
        with_value("a = [", ["a"], 1.0)


def test_a_drawing_takes_the_place_of_the_outline():
    head = tomllib.loads(with_drawing(TEXT, "lid.dxf"))["panel"]
    assert head["outline_dxf"] == "lid.dxf" and "outline" not in head


def test_files_outside_the_folder_are_not_read_for_the_page(tmp_path):
    folder = tmp_path / "panel"
    folder.mkdir()
    (tmp_path / "shop.toml").write_text("")
    for name in ("../shop.toml", str(tmp_path / "shop.toml")):
        text = TEXT.replace('"starter"', f"'{name}'")
        assert "outside the panel's folder" in faults(text, folder)[0]["what"]
        trusted = tomllib.loads(text)  # the file on disk names it: the user's own choice
        with pytest.raises(InputError) as caught:
            panel_of_text(text, folder, trusted)
        assert "outside the panel's folder" not in str(caught.value)


def test_endless_texts_are_refused(tmp_path):
    assert "characters" in faults("#" * 500_000, tmp_path)[0]["what"]
    assert "nested" in faults("a" + ".b" * 30 + " = 1", tmp_path)[0]["what"]
