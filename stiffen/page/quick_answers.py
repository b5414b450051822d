"""Answers of the surrogate to a layout that is being dragged, in a process of their own.

The demand and the in-plane hold that decided last are computed first and answered at once; the rest follows unless a
newer position waits.  While a drag goes on, everything is computed at least every REST_SECONDS.  An equilibrium is
looked for from that of the position before.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.analysis.panel_model import PanelModel
from stiffen.errors import StiffenError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.surrogate.laminated_panel import CHEAPEST_FIRST, Guesses, LaminatedPanel, laminated_panel

from .records import layout_from, rounded, value_data
from .workers import Mailbox

REST_SECONDS = 0.6
PROBE_NEIGHBOURS = 6
Send = Callable[[dict], None]


@dataclass(eq=False)
class QuickAnswers:
    """Answers for one panel.  surrogates: by gauge.  deciding: (demand, hold) that decided last."""

    panel: Panel
    surrogates: dict[float, LaminatedPanel] = field(default_factory=dict)
    guesses: dict[float, dict[str, Any]] = field(default_factory=dict)
    deciding: tuple[int, str] | None = None
    complete_at: float = 0.0
    _mesh_sent: float | None = None

    @one_thread
    def answer(self, layout: Layout, view: dict, send: Send, newer: Callable[[], bool]) -> None:
        """Send the answers to a layout.

        view: {"map": "deflection", "softness" or "", "case": name}.  newer: True if a newer position waits.
        """
        begun = time.process_time()
        surrogate = self._surrogate(layout.gauge)
        guesses: Guesses = self.guesses.setdefault(layout.gauge, {})
        models = {hold: surrogate.model_of(layout, hold, guesses.get(hold)) for hold in surrogate.models}
        pairs = [(i, hold) for i in self._cheapest_first() for hold in models]
        if self.deciding in pairs:
            pairs.remove(self.deciding)
            pairs.insert(0, self.deciding)
        found: dict[tuple[int, str], DemandValue] = {}
        for count, (i, hold) in enumerate(pairs, 1):
            found[i, hold] = demand_value(models[hold], self.panel.demands[i])
            if count == 1 and len(pairs) > 1:
                send(self._data(found, models, view, pairs[1:], begun))
                self._remember(layout.gauge, models)
            if count < len(pairs) and time.monotonic() - self.complete_at < REST_SECONDS and newer():
                return
        if found:
            self.deciding = max(found, key=lambda pair: found[pair].utilisation(self.panel.demands[pair[0]]))
        send(self._data(found, models, view, [], begun))
        self._remember(layout.gauge, models)
        self.complete_at = time.monotonic()

    def _surrogate(self, gauge: float) -> LaminatedPanel:
        if gauge not in self.surrogates:
            self.surrogates[gauge] = laminated_panel(self.panel, gauge)
        surrogate = self.surrogates[gauge]
        if len(surrogate._coverages) > 2000:  # a long drag meets a new bead at each position
            surrogate._coverages.clear()
        return surrogate

    def _cheapest_first(self) -> list[int]:
        demands = self.panel.demands
        return sorted(range(len(demands)), key=lambda i: CHEAPEST_FIRST.index(demands[i].kind))

    def _remember(self, gauge: float, models: dict[str, PanelModel]) -> None:
        kept = self.guesses[gauge]
        for hold, model in models.items():
            kept[hold] = {**kept.get(hold, {}), **model.ends_as_guesses()}

    def _data(
        self,
        found: dict[tuple[int, str], DemandValue],
        models: dict[str, PanelModel],
        view: dict,
        pending: list[tuple[int, str]],
        begun: float,
    ) -> dict:
        """The answer so far.  A demand with a hold still to come is pending."""
        values: list[dict | None] = []
        for i, demand in enumerate(self.panel.demands):
            holds = {hold: value for (k, hold), value in found.items() if k == i}
            worst = max(holds, key=lambda hold: holds[hold].utilisation(demand), default=None)
            if worst is None:
                values.append(None)
                continue
            values.append({
                **value_data(demand, holds[worst], worst),
                "pending": any(k == i for k, _ in pending),
            })  # fmt: skip
        worst_pair = max(found, key=lambda p: found[p].utilisation(self.panel.demands[p[0]]), default=None)
        hold = worst_pair[1] if worst_pair else next(iter(models))
        shown = self._map(models[hold], view, not pending)
        spent = 1000 * (time.process_time() - begun)
        return {"values": values, "pending": bool(pending), "map": shown, "cpu_ms": spent}

    def _map(self, model: PanelModel, view: dict, complete: bool) -> dict | None:
        """The field that the page shows: (n,) values on the coarse mesh.

        The first, quick answer shows the deflection only if it is computed already.
        """
        kind, case = view.get("map"), view.get("case")
        try:
            if kind == "deflection" and case in self.panel.cases:
                if not complete and ("case", case) not in model._cache:
                    return None
                values, unit = model.deflection(case), "mm"
                values = np.abs(values)
            elif kind == "softness":
                values, unit = self._softness(model), "mm/N"
            else:
                return None
        except StiffenError:
            return None
        out = {"kind": kind, "case": case, "unit": unit, "values": rounded(values), "mesh": model.layout.gauge}
        if self._mesh_sent != model.layout.gauge:
            self._mesh_sent = model.layout.gauge
            out["nodes"], out["triangles"] = model.mesh.plan.round(2).tolist(), model.mesh.triangles.tolist()
        return out

    def _softness(self, model: PanelModel) -> np.ndarray:
        """(n,) mm per newton at the nodes, between the probed points by inverse squared distance."""
        probes = model.softness
        gap = np.linalg.norm(model.mesh.plan[:, None] - probes[:, :2], axis=2)
        near = np.argsort(gap, axis=1, kind="stable")[:, :PROBE_NEIGHBOURS]
        weights = 1 / (np.take_along_axis(gap, near, 1) + 1e-3) ** 2
        return np.asarray((weights * probes[near, 2]).sum(axis=1) / weights.sum(axis=1))


def serve(mailbox: Mailbox) -> None:
    """Main function of the process.  Messages: ("panel", Panel), ("layout", {n, layout, view})."""
    answers: QuickAnswers | None = None
    while True:
        kind, content = mailbox.take("layout", "panel")
        if kind == "panel":
            answers = QuickAnswers(content)
            continue
        assert answers is not None
        n = content["n"]

        def send(data: dict, n: Any = n) -> None:
            mailbox.send("quick", {"n": n, **data})

        try:
            layout = layout_from(content["layout"], answers.panel)
            answers.answer(layout, content["view"], send, lambda: mailbox.has("layout", "panel"))
        except StiffenError as error:
            mailbox.send("quick", {"n": n, "failure": str(error)})
        except (ValueError, ArithmeticError, IndexError) as error:  # a layout in the middle of a drag may be anything
            mailbox.send("quick", {"n": n, "failure": f"no quick answer here: {error}"})
