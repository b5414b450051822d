"""The search over a whole build: each design once, at its own gauge, at one for all, or at most two.

With one gauge for all, gauges that every rack holds are tried from the thinnest to the first at which every design
meets its demands.  The design that missed last is searched first at the next gauge.  Beads add no mass, so that a
thicker sheet is lighter only by flared holes: it is tried while panels full of them could be lighter.  With two, each
pair of gauges is costed from one table of searches, design by gauge; of those within 1 % of the least mass the one is
taken for which least sheet is bought, one gauge before two.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from stiffen.assembly.designs import Design
from stiffen.errors import Fault, InputError, StiffenError
from stiffen.joined.neighbours import PanelsOnNeighbours
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult

from .driver import search
from .finish.least_mass import least_mass

SAME_MASS = 1.01  # ratio of two masses that count as equal: then least sheet is bought
SheetMass = Callable[[Mapping[str, Layout]], float]  # kg of sheet to buy for layouts by design
OnFound = Callable[[Design, SearchResult], None]


@dataclass(frozen=True)
class BuildSearchResult:
    """The results of the designs by name, in the order of the build.

    gauges: mm that are used.  stopped: why the search ended early, else "": then designs may be missing.  error: of a
    design that could not be computed, which ended it.
    """

    results: Mapping[str, SearchResult]
    gauges: tuple[float, ...]
    stopped: str = ""
    error: StiffenError | None = None

    @property
    def met(self) -> bool:
        """True where every design that was searched meets its demands."""
        return all(one.verdict.met for one in self.results.values())


class _InterruptedError(Exception):
    """Ctrl-C: what is found so far counts."""


def search_build(
    designs: Sequence[Design],
    gauges: str = "each",
    *,
    on_found: OnFound = lambda design, result: None,
    sheet_mass: SheetMass = lambda layouts: 0.0,
    panels: PanelsOnNeighbours | None = None,
    **options: Any,
) -> BuildSearchResult:
    """Search every design of a build.

    gauges: "each", "one" or "two"; see the head of this module.  on_found: called with each design and the result that
    it is to have, as soon as that is known.  sheet_mass: of the sheets to buy, kg.  panels: on their neighbours;
    designs that are held as the build holds them are searched twice, first beside neighbours as in their files, then at
    quick effort beside those that were found.  options: as for `search`, the same for all.
    Raises InputError if no gauge lies in the rack of every panel where one is asked for.
    """
    table = _SearchTable(designs, options, panels)
    stopped, error = "", None
    try:
        if gauges == "each":
            for design in designs:
                on_found(design, table.at(design, None))
            chosen: dict[str, float | None] = dict.fromkeys((one.name for one in designs), None)
        else:
            chosen = {**_common_gauges(table, gauges, sheet_mass)}
            for design in designs:
                on_found(design, table.at(design, chosen[design.name]))
        table.again(chosen)
        for design in designs if panels else ():
            on_found(design, table.at(design, chosen[design.name]))
    except (_InterruptedError, KeyboardInterrupt):  # Ctrl-C in a search, or while its files are written
        stopped, chosen = "interrupted", {}
    except InputError:
        raise
    except StiffenError as fault:  # what is found so far counts
        stopped, chosen, error = str(fault), {}, fault
    results = {one.name: found for one in designs if (found := table.found(one, chosen.get(one.name)))}
    used = sorted({one.verdict.layout.gauge for one in results.values()})
    return BuildSearchResult(results, tuple(used), stopped, error)


class _SearchTable:
    """Results by design and gauge, each searched once; gauge None is the design's whole rack."""

    def __init__(self, designs: Sequence[Design], options: dict[str, Any], panels: PanelsOnNeighbours | None) -> None:
        self.designs = tuple(designs)
        self._panels = panels
        self._options = options
        self._results: dict[tuple[str, float | None], SearchResult] = {}

    def at(self, design: Design, gauge: float | None) -> SearchResult:
        key = design.name, gauge
        if key not in self._results:
            panel = design.panel if self._panels is None else self._panels.at_gauge(design, gauge)
            self._search(design, gauge, panel if gauge is None else replace(panel, gauges=(gauge,)), self._options)
        return self._results[key]

    def again(self, chosen: Mapping[str, float | None]) -> None:
        """Search the designs that the build holds once more, beside the layouts found, one after the other."""
        if self._panels is None:
            return
        for design in self.designs:
            if self._panels.asking(design):
                layouts = {one.name: self._results[one.name, chosen[one.name]].verdict.layout for one in self.designs}
                own = layouts[design.name]
                panel = replace(self._panels.beside(design, layouts), gauges=(own.gauge,))
                self._search(design, chosen[design.name], panel, {**self._options, "effort": "quick", "start": own})

    def _search(self, design: Design, gauge: float | None, panel: Panel, options: Mapping[str, Any]) -> None:
        try:
            result = search(panel, **options)
        except InputError:
            raise
        except StiffenError as error:
            raise type(error)(f"{design.name}: {error}") from error
        self._results[design.name, gauge] = result
        if result.interrupted:
            raise _InterruptedError

    def met(self, design: Design, gauge: float) -> bool:
        return self.at(design, gauge).verdict.met

    def found(self, design: Design, gauge: float | None) -> SearchResult | None:
        """The result at that gauge, else the lightest that meets, else any; None if the design was not searched."""
        if (design.name, gauge) in self._results:
            return self._results[design.name, gauge]
        own = [result for (name, _), result in self._results.items() if name == design.name]
        return min(own, key=lambda one: (not one.verdict.met, one.verdict.mass_kg), default=None)

    def cost(self, design: Design, gauge: float) -> float:
        """Mass of all members, kg."""
        return self.at(design, gauge).verdict.mass_kg * design.count


def common_rack(designs: Sequence[Design]) -> tuple[float, ...]:
    """Gauges that are in the rack of every panel, mm, rising.  InputError if there are none."""
    racks = [set(design.panel.gauges) for design in designs]
    found = set.intersection(*racks)
    if not found:
        told = "; ".join(f"{one.name}: {', '.join(f'{gauge:g}' for gauge in one.panel.gauges)}" for one in designs)
        raise InputError([Fault("build.gauges", f"no gauge is in the rack of every panel ({told})", "add one to each")])
    return tuple(sorted(found))


def _common_gauges(table: _SearchTable, gauges: str, sheet_mass: SheetMass) -> dict[str, float]:
    """The gauge of each design, mm: one for all, or at most two."""
    rack = common_rack(table.designs)
    one = _one_gauge(table, rack, sheet_mass)
    if gauges == "one":
        return dict.fromkeys((design.name for design in table.designs), one)
    least = {design.name: next((g for g in rack if table.met(design, g)), rack[-1]) for design in table.designs}
    picks: list[dict[str, float]] = [dict.fromkeys((design.name for design in table.designs), one)]
    for first, second in combinations(sorted({*rack[: rack.index(one) + 1]}), 2):
        if max(least.values()) > second:
            continue
        pick = {}
        for design in table.designs:
            able = [gauge for gauge in (first, second) if gauge >= least[design.name]]
            pick[design.name] = min((round(table.cost(design, gauge), 4), gauge) for gauge in able)[1]
        picks.append(pick)
    masses = [sum(table.cost(design, pick[design.name]) for design in table.designs) for pick in picks]
    near = [pick for pick, mass in zip(picks, masses, strict=True) if mass <= SAME_MASS * min(masses)]

    def bought(pick: Mapping[str, float]) -> tuple[float, int]:
        layouts = {design.name: table.at(design, pick[design.name]).verdict.layout for design in table.designs}
        return round(sheet_mass(layouts), 4), len(set(pick.values()))

    best: dict[str, float] = min(near, key=bought)
    return best


def _one_gauge(table: _SearchTable, rack: Sequence[float], sheet_mass: SheetMass) -> float:
    """The gauge of least mass at which every design meets its demands; the thickest if there is none.

    Of gauges within 1 % of the least mass the one for which least sheet is bought.
    """
    order = list(table.designs)
    masses: dict[float, float] = {}
    for gauge in rack:
        floor = sum(one.count * least_mass(one.panel, gauge) for one in table.designs)
        if masses and floor >= min(masses.values()):
            continue
        missing = next((design for design in order if not table.met(design, gauge)), None)
        if missing is None:
            masses[gauge] = sum(table.cost(design, gauge) for design in table.designs)
        else:
            order.remove(missing)
            order.insert(0, missing)
    if not masses:
        return rack[-1]
    near = [gauge for gauge, mass in masses.items() if mass <= SAME_MASS * min(masses.values())]

    def bought(gauge: float) -> tuple[float, float]:
        layouts = {design.name: table.at(design, gauge).verdict.layout for design in table.designs}
        return round(sheet_mass(layouts), 4), masses[gauge]

    return near[0] if len(near) == 1 else min(near, key=bought)
