"""Loads that people and weather put on a panel, each with its source and what it means.  N, mm, MPa.

A number that only the user knows (a weight, a speed) is asked for with the load's name, and never assumed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

GRAVITY = 9.80665  # N/kg, ISO 80000-3
AIR_DENSITY = 1.225  # kg/m3 at sea level and 15 degrees C, ISO 2533
OWN_NUMBER = "your own number"


@dataclass(frozen=True)
class UseLoad:
    """A load to choose.

    name: as it is answered; number: what must follow the name ("kg", "m/s", "g"), or "".  meaning, source: for the list
    and the file.  force: N of a patch of `size` mm at the worst place, from the number; None of the other kinds.
    """

    name: str
    meaning: str
    source: str
    number: str = ""
    size: tuple[float, float] | None = None
    force: Callable[[float], float] | None = None

    @property
    def asked_as(self) -> str:
        """How it is answered: 'foot KG'."""
        return f"{self.name} {self.number.upper()}".strip()


def _fixed(newtons: float) -> Callable[[float], float]:
    return lambda _: newtons


USE_LOADS = (
    UseLoad(
        "foot",
        "that person stands on one foot, 100 x 100 mm, anywhere",
        "weight = kg x 9.80665 m/s2",
        "kg",
        (100.0, 100.0),
        lambda kg: kg * GRAVITY,
    ),
    UseLoad(
        "sitting",
        "the rear half of a sitting person: 8.11 kPa on 230 x 230 mm, anywhere; a bump adds to it",
        "mean of fifteen people, BioMed. Eng. OnLine 17 (2018), table 2",
        "",
        (230.0, 230.0),
        _fixed(429.0),
    ),
    UseLoad(
        "step",
        "a tread of an industrial stair: 1500 N on 100 x 100 mm",
        "EN ISO 14122-3",
        "",
        (100.0, 100.0),
        _fixed(1500.0),
    ),
    UseLoad(
        "maintenance",
        "a level walked on only for repairs: 1500 N on 200 x 200 mm",
        "EN 15512:2022, 6.3.3.7",
        "",
        (200.0, 200.0),
        _fixed(1500.0),
    ),
    UseLoad(
        "walkway", "a walkway: 2000 N on 100 x 100 mm", "EN 15512:2022, 6.3.3.7", "", (100.0, 100.0), _fixed(2000.0)
    ),
    UseLoad(
        "floor",
        "a floor of a building: 2000 N on 50 x 50 mm",
        "EN 1991-1-1, from memory",
        "",
        (50.0, 50.0),
        _fixed(2000.0),
    ),
    UseLoad("cargo", "so many kg laid evenly on the whole panel", "weight = kg x 9.80665 m/s2", "kg"),
    UseLoad(
        "wind",
        "air that meets the panel square at that speed (10 m/s = 36 km/h)",
        "pressure = 1/2 x 1.225 kg/m3 (ISO 2533) x speed^2",
        "m/s",
    ),
    UseLoad("shake", "the panel and all that is fixed to it weigh so many times more: a kerb, a fall", OWN_NUMBER, "g"),
)
BY_NAME = {load.name: load for load in USE_LOADS}
BEHIND = "behind"  # after a load: it pushes onto the down face


@dataclass(frozen=True)
class ChosenLoad:
    """A load of the table with its number; behind: it pushes onto the down face."""

    load: UseLoad
    number: float = 0.0
    behind: bool = False

    @property
    def case(self) -> str:
        """Name of its load case."""
        return f"{self.load.name} behind" if self.behind else self.load.name

    def keys(self, area: float) -> dict[str, str]:
        """Keys of a [[load]] as TOML text.  area: of the sheet, mm2."""
        sign = -1 if self.behind else 1
        if self.load.force:
            assert self.load.size is not None
            size = f"[{self.load.size[0]:g}, {self.load.size[1]:g}]"
            force = f"{sign * self.load.force(self.number):.4g}"
            return {"kind": '"patch"', "value": force, "at": '"worst"', "size": size}
        if self.load.name == "shake":
            return {"kind": '"inertia"', "g": f"[0, 0, {-sign * self.number:g}]"}
        if self.load.name == "cargo":
            pressure = self.number * GRAVITY / area
        else:
            pressure = AIR_DENSITY / 2 * self.number**2 * 1e-6
        return {"kind": '"pressure"', "value": f"{sign * pressure:.4g}"}


def chosen_loads(answer: str) -> tuple[ChosenLoad, ...]:
    """The loads of an answer such as 'foot 90, wind 14 behind'.  ValueError says what is wrong and what would do."""
    chosen: list[ChosenLoad] = []
    for part in filter(None, (one.strip() for one in answer.split(","))):
        words = part.lower().split()
        behind = words[-1] == BEHIND
        name, *numbers = words[:-1] if behind and len(words) > 1 else words
        if name not in BY_NAME:
            raise ValueError(f"{name!r} is not in the table; say one of: {', '.join(BY_NAME)}, or none")
        load = BY_NAME[name]
        if bool(load.number) != bool(numbers) or len(numbers) > 1:
            raise ValueError(
                f"{name!r} is answered as {load.asked_as!r}" + (" with your own number" if load.number else "")
            )
        number = _positive(numbers[0], load) if numbers else 0.0
        one = ChosenLoad(load, number, behind)
        if one.case in [other.case for other in chosen]:
            raise ValueError(f"{one.case!r} is named twice")
        chosen.append(one)
    return tuple(chosen)


def _positive(text: str, load: UseLoad) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number < 1e5:
        raise ValueError(f"{text!r} is not a number of {load.number} over 0")
    return number
