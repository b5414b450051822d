"""`stiffen ask`: ten answers become a panel file; no load is made up; who does not know gets the safe choice."""

import io
import itertools
import tomllib

import ezdxf
import pytest

from stiffen.cli.asking.panel_text import panel_text
from stiffen.cli.asking.questions import FIRM, FRAME, HELD, SMOOTH, questions
from stiffen.cli.asking.use_loads import BY_NAME, chosen_loads
from stiffen.cli.entry import main
from stiffen.io.panel_file import panel_from_dict, read_panel
from stiffen.model.material import materials

KEYS = ["what", "size", "held", "frame", "load", "firm", "smooth", "clear", "metal", "dies"]


def asked(tmp_path, **answers):
    """The panel of `stiffen ask` with a file of these answers."""
    (tmp_path / "answers.toml").write_text("".join(f"{key} = '{value}'\n" for key, value in answers.items()))
    assert main(["ask", str(tmp_path / "lid.toml"), "--answers", str(tmp_path / "answers.toml")]) == 0
    return read_panel(tmp_path / "lid.toml")


def refused(tmp_path, capsys, text):
    (tmp_path / "answers.toml").write_text(text)
    assert main(["ask", str(tmp_path / "lid.toml"), "--answers", str(tmp_path / "answers.toml")]) == 2
    assert not (tmp_path / "lid.toml").exists()
    return capsys.readouterr().err


def test_who_knows_nothing_gets_the_safe_choices_and_is_told_each(tmp_path, capsys):
    panel = asked(tmp_path)
    out = capsys.readouterr().out
    assert [line.split(": ")[1] for line in out.splitlines()[:-1]] == KEYS
    (support,) = panel.supports
    assert (support.kind, support.in_plane, len(support.at)) == ("bolts", "unknown", 4)
    least_stiff = min(material.E for material in materials().values())
    assert least_stiff == panel.material.E
    assert (panel.flared_holes, panel.dies_at_most, panel.bead_side) == ("none", 1, "down")
    (demand,) = panel.demands
    assert (demand.force, demand.limit) == (10, min(limit for _, limit in FIRM.values()))
    text = (tmp_path / "lid.toml").read_text()
    assert text.count("(not known: the safe choice)") == 9 and "EXAMPLE SIZE" in text
    assert (tmp_path / "panel.png").exists()


def test_no_load_is_made_up(tmp_path):
    assert asked(tmp_path, load="none").loads == ()
    assert {question.key: (question.default, question.safe) for question in questions()}["load"] == ("none", "none")


@pytest.mark.parametrize(
    ("answer", "newtons", "size"),
    [
        ("step", 1500, 100),  # EN ISO 14122-3
        ("maintenance", 1500, 200),  # EN 15512:2022, 6.3.3.7
        ("walkway", 2000, 100),  # EN 15512:2022, 6.3.3.7
        ("floor", 2000, 50),  # EN 1991-1-1, from memory
        ("foot 90", 90 * 9.80665, 100),  # standard gravity, ISO 80000-3
        ("sitting", 8.11e-3 * 230 * 230, 230),  # BioMed. Eng. OnLine 17 (2018), table 2: 8.11 kPa on 527 cm2
    ],
)
def test_patches_are_those_of_their_sources(tmp_path, answer, newtons, size):
    (load,) = asked(tmp_path, load=answer).loads
    assert (load.kind, load.at, load.size) == ("patch", None, (size, size))
    assert load.value == pytest.approx(newtons, rel=1e-3)


def test_pressures_follow_from_the_number_that_is_given(tmp_path):
    """1/2 x 1.225 kg/m3 (ISO 2533) x (14 m/s)^2 = 120 Pa; 20 kg on 0.5 m x 0.4 m = 196.1 N / 0.2 m2 = 981 Pa."""
    wind, cargo, shake = asked(tmp_path, size="500 x 400", load="wind 14 behind, cargo 20, shake 3").loads
    assert (wind.case, wind.value) == ("wind behind", pytest.approx(-120.05e-6, rel=1e-3))
    assert cargo.value == pytest.approx(980.665e-6, rel=1e-3)
    assert shake.g == (0, 0, -3)


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ("elephant", "not in the table; say one of: foot, sitting"),
        ("foot", "'foot' is answered as 'foot KG' with your own number"),
        ("step 3", "'step' is answered as 'step'"),
        ("foot -3", "'-3' is not a number of kg over 0"),
        ("step, step", "'step' is named twice"),
        ("behind", "'behind' is not in the table"),
    ],
)
def test_wrong_loads_say_what_would_do(answer, told):
    with pytest.raises(ValueError) as error:
        chosen_loads(answer)
    assert told in str(error.value)


def test_every_way_to_be_held_on_every_shape_gives_a_panel(tmp_path):
    ask = {question.key: question for question in questions()}
    shapes = ("400 x 300", "60 x 45 r 5", "300 x 1200 r 20", "disc 300")
    for held, shape, frame, smooth in itertools.product(HELD, shapes, FRAME, SMOOTH):
        said = {"size": shape, "held": held, "frame": frame, "smooth": smooth, "load": "step"}
        if shape.startswith("disc") and held.endswith("sides"):
            continue
        values = {key: ask[key].answer(said.get(key, ""))[0] for key in KEYS}
        panel = panel_from_dict(tomllib.loads(panel_text(values, (), 1e5, 300.0)), tmp_path)
        assert panel.supports and panel.bead_side == SMOOTH[smooth]


def test_sides_are_held_where_it_is_said(tmp_path):
    front, back = asked(tmp_path, size="500 x 300", held="long sides", frame="stiff").supports
    assert {point[1] for point in front.path} == {12} and {point[1] for point in back.path} == {288}
    assert front.in_plane == "held"


def test_a_drawing_is_named_as_seen_from_the_panel_file(tmp_path, capsys, monkeypatch):
    document = ezdxf.new(units=4)
    document.modelspace().add_lwpolyline([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
    (tmp_path / "drawings").mkdir()
    document.saveas(tmp_path / "drawings" / "part.dxf")
    monkeypatch.chdir(tmp_path / "drawings")
    panel = asked(tmp_path, size="part.dxf", load="cargo 6")
    assert panel.region.area == pytest.approx(60_000)
    assert panel.loads[0].value == pytest.approx(6 * 9.80665 / 60_000, rel=1e-3)
    assert panel.supports[0].kind == "edge"  # bolts at corners that are not known would be a guess


def test_what_stays_clear(tmp_path):
    panel = asked(tmp_path, clear="30 150 40 50 cable clip; no holes", metal="mild steel 0.8 1")
    (place,) = panel.keep_outs
    assert (place.polygon[0], place.polygon[2], place.why) == ((30, 150), (70, 200), "cable clip")
    assert (panel.flared_holes, panel.material.name, panel.gauges) == ("none", "DC01", (0.8, 1.0))


def test_wrong_answers_in_a_file_are_told_together(tmp_path, capsys):
    told = refused(tmp_path, capsys, "sise = '3'\nload = 'foot'\nmetal = 'cheese'\nheld = 3\nclear = '900 0 9'\n")
    assert 'answers.toml: sise: is no question (did you mean "size"?)' in told
    assert "load: is" in told and "metal: is" in told and "held: is 3, not a text" in told and "clear: is" in told


def test_a_place_off_the_sheet_is_a_fault_and_nothing_is_written(tmp_path, capsys):
    told = refused(tmp_path, capsys, "clear = '900 900 50 50 tank'\n")
    assert "lid.toml: keep_out[1]" in told and "Traceback" not in told


def test_sides_of_a_disc_are_not_guessed(tmp_path, capsys):
    assert "only a rectangle has sides" in refused(tmp_path, capsys, "size = 'disc 300'\nheld = 'long sides'\n")


def test_a_file_that_is_there_is_kept(tmp_path, capsys):
    (tmp_path / "lid.toml").write_text("mine")
    assert main(["ask", str(tmp_path / "lid.toml")]) == 2
    assert (tmp_path / "lid.toml").read_text() == "mine"


def typed(monkeypatch, *lines):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_the_talk_asks_again_until_an_answer_fits(tmp_path, monkeypatch, capsys):
    typed(monkeypatch, "lid", "big", "420 x 260 r 25", "4", "", "foot", "none", "?", "", "", "5754-H111 0.8", "starter")
    assert main(["ask", str(tmp_path / "lid.toml")]) == 0
    ended = capsys.readouterr()
    assert "say it as 500 x 400" in ended.err and "with your own number" in ended.err
    assert "not known: firm: the firmest" in ended.out
    for name, load in BY_NAME.items():
        assert name in ended.out and load.source.split()[0] in ended.out
    panel = read_panel(tmp_path / "lid.toml")
    assert (panel.name, panel.gauges, panel.supports[0].kind) == ("lid", (0.8,), "edge")


def test_a_talk_that_is_broken_off_writes_nothing(tmp_path, monkeypatch, capsys):
    typed(monkeypatch, "lid", "420 x 260")
    assert main(["ask", str(tmp_path / "lid.toml")]) == 130
    assert list(tmp_path.iterdir()) == []
