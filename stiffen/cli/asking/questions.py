"""The questions: what is asked, what an empty answer means, and the safe choice for who does not know.

An answer becomes a value by the question's `read`; ValueError says what is wrong and what would do.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .use_loads import USE_LOADS, chosen_loads

UNKNOWN = ("?", "don't know", "dont know", "do not know")
HELD = {
    "riveted": "rivets all round, 12 mm from the edge",
    "long sides": "rivets along the two long sides; the short sides are free",
    "short sides": "rivets along the two short sides; the long sides are free",
    "seal": "lies on a seal or ledge all round and cannot lift off",
    "corners": "one bolt near each corner (a disc: three bolts)",
}
FRAME = {
    "stiff": "a welded tube frame, a casting, thick angle: edges cannot pull in",
    "soft": "thin sheet, wood, oversize holes, rubber: edges can pull in",
    "unknown": "both are computed, the worse counts",
}
FIRM = {"still": (10.0, 2.0), "hand": (10.0, 0.5), "solid": (10.0, 0.2)}  # push, N; most it may give, mm
SMOOTH = {"up": "down", "down": "up", "neither": "either"}  # the face that stays smooth: where beads may stand
COMMON_GAUGES = (0.8, 1.0, 1.2, 1.5, 2.0)


@dataclass(frozen=True)
class Shape:
    """Width x height with its corner radius, a disc (width = height, `round`), or a drawing; mm."""

    width: float = 400.0
    height: float = 300.0
    radius: float = 0.0
    round: bool = False
    drawing: str = ""

    @property
    def rectangular(self) -> bool:
        """True if it has sides and corners whose places are known."""
        return not self.round and not self.drawing


@dataclass(frozen=True)
class Question:
    """key: its name in a file of answers.  default: of an empty answer.  safe: of who does not know; why: says so."""

    key: str
    text: str
    default: str
    safe: str
    why: str
    read: Callable[[str], Any]
    choices: tuple[tuple[str, str], ...] = ()

    def answer(self, text: str) -> tuple[Any, bool]:
        """The value of an answer, and whether it was not known."""
        said = text.strip()
        unknown = said.lower() in UNKNOWN
        return self.read(self.safe if unknown else said or self.default), unknown


def _name(text: str) -> str:
    if not text.isprintable() or len(text) > 100:
        raise ValueError("give one line of at most 100 letters")
    return text


def _shape(text: str) -> Shape:
    said = text.lower().replace("mm", " ").strip()
    if said.endswith(".dxf"):
        if not Path(text.strip()).is_file():
            raise ValueError(f"there is no drawing {text.strip()!r}")
        return Shape(drawing=text.strip())
    number = r"(\d+(?:\.\d+)?)"
    disc = re.fullmatch(rf"disc\s+{number}", said)
    sides = re.fullmatch(rf"{number}\s*[x*]\s*{number}(?:\s*r\s*{number})?", said)
    if disc:
        return _sensible(Shape(float(disc[1]), float(disc[1]), round=True))
    if sides:
        return _sensible(Shape(float(sides[1]), float(sides[2]), float(sides[3] or 0)))
    raise ValueError("say it as 500 x 400, 500 x 400 r 20 (rounded corners), disc 300, or part.dxf; in mm")


def _sensible(shape: Shape) -> Shape:
    if not 40 <= min(shape.width, shape.height) <= max(shape.width, shape.height) <= 5000:
        raise ValueError("sides of 40 to 5000 mm, please; is it in mm?")
    if 2 * shape.radius > min(shape.width, shape.height):
        raise ValueError(f"a corner radius of at most {min(shape.width, shape.height) / 2:g} mm fits")
    return shape


def _one_of(names: tuple[str, ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        said = text.lower()
        if said.isdecimal() and 1 <= int(said) <= len(names):
            return names[int(said) - 1]
        fitting = [name for name in names if name == said] or [name for name in names if name.startswith(said)]
        if len(fitting) != 1:
            raise ValueError(f"say one of: {', '.join(names)}; its number will do")
        return fitting[0]

    return read


def _loads(text: str) -> tuple:
    return () if text.lower() == "none" else chosen_loads(text)


@dataclass(frozen=True)
class Clear:
    """What must stay clear: rectangles (x, y, width, height, what), and whether holes would let something through."""

    places: tuple[tuple[float, float, float, float, str], ...] = ()
    no_holes: bool = False


def _clear(text: str) -> Clear:
    places, no_holes = [], False
    for part in filter(None, (one.strip() for one in text.split(";"))):
        if part.lower() == "no holes":
            no_holes = True
        elif part.lower() not in ("none", "holes"):
            words = part.split(maxsplit=4)
            try:
                x, y, width, height = (float(word) for word in words[:4])
            except ValueError:
                x = y = width = height = math.nan
            if not (width > 0 and height > 0):
                raise ValueError(
                    "say a place as X Y WIDTH HEIGHT and what it is: 30 180 40 40 cable clip; or: no holes"
                )
            places.append((x, y, width, height, words[4] if len(words) > 4 else "keep clear"))
    return Clear(tuple(places), no_holes)


def _metal(text: str) -> tuple[str, tuple[float, ...]]:
    """Material and gauges: '5754-H111 0.8 1 1.5'."""
    from stiffen.model.material import find_material

    words = text.replace(",", " ").split()
    gauges: list[float] = []
    while len(words) > 1 and re.fullmatch(r"\d+\.?\d*", words[-1]) and 0.2 <= float(words[-1]) <= 10:
        gauges.insert(0, float(words.pop()))
    found = find_material(" ".join(words))
    if found is None:
        raise ValueError(f"{' '.join(words)!r} is not in the list; `stiffen stock` shows it")
    return found.name, tuple(sorted(set(gauges))) or COMMON_GAUGES


def _softest() -> str:
    """The built-in metal of least stiffness, and of those the weakest."""
    from stiffen.model.material import materials

    return min(materials().values(), key=lambda one: (one.E, one.yield_strength)).name


def _tools(text: str) -> str:
    if text != "starter" and not Path(text).is_file():
        raise ValueError(f"there is no tools file {text!r}; `starter` takes the built-in ones")
    return text


def questions() -> tuple[Question, ...]:
    """The questions in their order."""
    softest = _softest()
    return (
        Question("what", "What is it?", "panel", "panel", "it is called panel", _name),
        Question(
            "size",
            "How big is the flat sheet, in mm? 500 x 400, 500 x 400 r 20 for rounded corners, disc 300, or part.dxf",
            "400 x 300",
            "400 x 300",
            "400 x 300 mm stands in the file as an example: measure, and change it",
            _shape,
        ),
        Question(
            "held",
            "How is it held?",
            "riveted",
            "corners",
            "held least: bolts at the corners (a drawing: on a ledge all round)",
            _one_of(tuple(HELD)),
            tuple(HELD.items()),
        ),
        Question(
            "frame",
            "What is it fixed to?",
            "unknown",
            "unknown",
            "both are computed, and the worse counts",
            _one_of(tuple(FRAME)),
            tuple(FRAME.items()),
        ),
        Question(
            "load",
            "What pushes on it? Turn it so that you look at the face that is pushed: that is the up face. "
            "Several, with commas; `behind` after one for a push from the other side: foot 90, wind 14 behind",
            "none",
            "none",
            "no load goes in; nothing is then said about strength: find out before anyone relies on it",
            _loads,
            tuple((load.asked_as, f"{load.meaning} ({load.source})") for load in USE_LOADS),
        ),
        Question(
            "firm",
            "How firm must it feel? (limits: common practice, no source)",
            "hand",
            "solid",
            "the firmest",
            _one_of(tuple(FIRM)),
            (
                ("still", "it must not flap: a push of 10 N gives at most 2 mm"),
                ("hand", "firm under a hand: at most 0.5 mm"),
                ("solid", "no give that one feels: at most 0.2 mm"),
            ),
        ),
        Question(
            "smooth",
            "Which face must stay smooth, without beads?",
            "up",
            "up",
            "the up face stays smooth; see that below it there is room for beads",
            _one_of(tuple(SMOOTH)),
            (
                ("up", "the pushed face: beads stand on the back"),
                ("down", "the back: beads stand on the pushed face"),
                ("neither", "beads on either"),
            ),
        ),
        Question(
            "clear",
            "What must stay clear? X Y WIDTH HEIGHT from the lower left corner and what it is; several "
            "with ; and `no holes` if water or fingers must not get through",
            "none",
            "no holes",
            "no flared holes; places to keep clear you add as [[keep_out]]",
            _clear,
        ),
        Question(
            "metal",
            "Which metal, and which thicknesses can you get? 5754-H111 0.8 1 1.5 (all names: stiffen stock)",
            "5754-H111",
            softest,
            f"{softest}, the least stiff and weakest of the list, in common thicknesses",
            _metal,
        ),
        Question(
            "dies",
            "Which dies are there? starter (the built-in list), or your own tools file",
            "starter",
            "starter",
            "the built-in list; a layout uses one die only",
            _tools,
        ),
    )
