"""What was measured on the finished panel, and the file in which it is entered.

    thickness = [0.98, 0.97]      # mm, by micrometer
    [depth]                       # mm, from the flat sheet to the crest, by die
    B20 = [5.2, 5.3]
    [[push]]                      # mm at a place of the push test, with so many kg on it
    place = "A"
    kg = 1.0
    mm = [0.31, 0.33]

An empty list is a value that is not measured yet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from statistics import fmean

from stiffen.errors import Fault, InputError
from stiffen.io.files import FilePath, read_toml
from stiffen.io.schema import FaultList, TableReader
from stiffen.model.layout import Layout
from stiffen.model.value_rules import TEXT, Numbers, Range, suggestion

from .builds import dies_used
from .responses import Push
from .spectrum import Peak

THICKNESS = Numbers(Range(0.1, 6.0, "mm"), least=0)
DEPTH = Numbers(Range(0.1, 50.0, "mm"), least=0)
KG = Range(0.0, 200.0, "kg", excludes_low=True)
MM = Numbers(
    Range(
        0.0, 100.0, "mm", excludes_low=True, cure="a push downward reads more than 0; zero the dial without the mass"
    ),
    least=0,
)
MICROMETER_ERROR, CALLIPER_ERROR = 0.01, 0.1  # mm, of thickness and depth as read: common practice, no source
DIAL_ERROR, RULER_ERROR = (
    0.03,
    0.5,
)  # mm, of a deflection as read by a dial gauge or a ruler: common practice, no source
RULER_FROM = 4.0  # mm of deflection from which a ruler will do
THICKNESS_BAND = 0.7, 1.4  # share of the gauge outside which a thickness is a slip of the pen
MAX_DEPTH_SHARE = 1.25  # of the die's depth, above which a depth is a slip of the pen


@dataclass(frozen=True)
class PushReading:
    """Readings at one place under one mass: mm, one or more."""

    place: str
    kg: float
    mm: tuple[float, ...]


@dataclass(frozen=True)
class Measured:
    """All that was measured.  thickness: mm.  depths: mm by die.  pushes: readings of the push test.

    taps: the frequencies heard, rising, of the panel HANGING or FITTED.
    """

    thickness: tuple[float, ...] = ()
    depths: dict[str, tuple[float, ...]] = field(default_factory=dict)
    pushes: tuple[PushReading, ...] = ()
    taps: dict[str, tuple[Peak, ...]] = field(default_factory=dict)

    def merged(self, newer: Measured) -> Measured:
        """With newer values in place of older ones of the same thing."""
        pushes = {(one.place, one.kg): one for one in (*self.pushes, *newer.pushes)}
        depths, taps = {**self.depths, **newer.depths}, {**self.taps, **newer.taps}
        return Measured(newer.thickness or self.thickness, depths, tuple(pushes.values()), taps)

    @property
    def any(self) -> bool:
        """True if anything was measured."""
        return bool(self.thickness or self.depths or self.pushes or self.taps)


def mean_and_error(values: tuple[float, ...], instrument_error: float) -> tuple[float, float]:
    """Mean, and the error of a reading: that of the instrument, or half of what repeated readings differ by if more."""
    return fmean(values), max(instrument_error, (max(values) - min(values)) / 2)


def read_measurements(path: FilePath) -> Measured:
    """The values of a file.  InputError with every fault found."""
    return measured_from_dict(read_toml(path))


def measured_from_dict(data: dict) -> Measured:
    """The values of plain data in the form of the file.  InputError with every fault found."""
    faults = FaultList(data)
    root = TableReader(data, faults)
    thickness = root.read("thickness", THICKNESS, ()) or ()
    table = root.table("depth")
    depths = {name: table.read(name, DEPTH) for name in table.data} if table else {}
    pushes = []
    for row in root.tables("push"):
        place, kg, mm = row.read("place", TEXT), row.read("kg", KG), row.read("mm", MM, ())
        row.reject_unknown_keys("a push")
        if row.ok and mm:
            pushes.append(PushReading(place, kg, mm))
    root.reject_unknown_keys("a file of measured values")
    faults.raise_if_any()
    return Measured(thickness, {name: values for name, values in depths.items() if values}, tuple(pushes))


def measured_document(measured: Measured) -> dict:
    """The values as plain data, in the form of the file."""
    return {
        "thickness": list(measured.thickness),
        "depth": {name: list(values) for name, values in measured.depths.items()},
        "push": [{"place": one.place, "kg": one.kg, "mm": list(one.mm)} for one in measured.pushes],
    }


def readings_form(layout: Layout, pushes: Iterable[Push]) -> str:
    """The file with empty lists, to be filled in."""
    lines = [
        "# Values measured on the finished panel, mm.  Put them between the brackets, as in [0.98, 0.97].",
        "# Leave empty what you did not measure.",
        "",
        "thickness = []        # of the sheet, by micrometer, at several places",
    ]
    if dies := dies_used(layout):
        lines += ["", "[depth]               # from the flat sheet to the crest, not counting the thickness, by die"]
        lines += [f'"{die.name}" = []' for die in dies]
    for push in pushes:
        lines += ["", "[[push]]", f'place = "{push.place}"', f"kg = {push.kg:g}", "mm = []"]
    return "\n".join(lines) + "\n"


def require_plausible(measured: Measured, layout: Layout, pushes: tuple[Push, ...]) -> None:
    """Raise InputError for values that are not of this panel: an unknown place, mass or die, or an impossible size."""
    faults: list[Fault] = []
    low, high = (share * layout.gauge for share in THICKNESS_BAND)
    for value in measured.thickness:
        if not low <= value <= high:
            cure = "measure clear of beads and burrs, without paint; is it the right panel?"
            faults.append(Fault("thickness", f"is {value:g} mm, the sheet has {layout.gauge:g} mm", cure))
    dies = {die.name: die for die in dies_used(layout)}
    for name, values in measured.depths.items():
        if name not in dies:
            faults.append(Fault(f"depth.{name}", "is no die of this layout", suggestion(name, dies)))
            continue
        for value in values:
            if value > MAX_DEPTH_SHARE * dies[name].depth:
                cure = "measure from the flat sheet to the crest on the same face"
                faults.append(Fault(f"depth.{name}", f"is {value:g} mm, the die makes {dies[name].depth:g} mm", cure))
    places = {push.place for push in pushes}
    for one in measured.pushes:
        masses = [push.kg for push in pushes if push.place == one.place]
        if one.place not in places:
            cure = suggestion(one.place, places) or "no push of this panel is safe: tap it"
            faults.append(Fault("push.place", f'"{one.place}" is no place of the push test', cure))
        elif not any(abs(one.kg - kg) < 1e-6 for kg in masses):
            what = f"{one.kg:g} kg is no mass of place {one.place}"
            if one.kg > max(masses):
                what = f"{one.kg:g} kg is more than the {max(masses):g} kg that is safe at {one.place}"
            faults.append(Fault("push.kg", what, "one of: " + ", ".join(f"{kg:g}" for kg in masses)))
    if faults:
        raise InputError(faults)
