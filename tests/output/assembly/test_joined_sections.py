"""What is told of a build judged as one thing."""

import pytest

from stiffen.joined.edge_hold import EdgeHold
from stiffen.joined.evaluation import BuildEvaluation
from stiffen.joined.whole_modes import BuildBuckling, BuildMode
from stiffen.output.assembly.joined_sections import joined_document, joined_sections


def told(share):
    """The section on edges, one held to so much."""
    hold = EdgeHold("lid", 1, ("wall",), "deflection push", "mm", 2.0, 1.5, 1.0, share)
    buckling = (BuildBuckling("lid", "push", float("inf"), ""),)
    found = BuildEvaluation({}, (BuildMode(9.0, "lid", ("lid",)),), buckling, (), (hold,), (), {}, 0.0)
    assert joined_document(found)["buckling"][0]["factor"] is None
    return next(one for one in joined_sections(found, {}) if one.title == "WHAT HOLDS EACH EDGE")


@pytest.mark.parametrize(
    ("share", "word", "note"),
    [
        (0.5, "50 %", None),
        (-0.01, "0 %", None),
        (-0.14, "pushed", "the neighbour bends and moves this edge"),
        (1.3, "over 100 %", "moves this edge against the load"),
        (None, "-", None),
    ],
)
def test_a_share_outside_zero_to_one_is_told_in_words(share, word, note):
    table, _, *notes = told(share).parts
    assert table.rows[0][-1] == word
    assert len(notes) == (note is not None)
    assert note is None or note in notes[0]
