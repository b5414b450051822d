"""The folder of a search: an earlier layout of the same panel stays in it until a better one is found."""

from __future__ import annotations

import argparse
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..output_files import output_folder, summary

if TYPE_CHECKING:
    from stiffen.model.panel import Panel
    from stiffen.model.results import Verdict

BESIDE = "_new"  # suffix of a second folder, used while the wanted one holds an earlier layout


@dataclass(frozen=True)
class ResultFolder:
    """wanted: the folder asked for.  used: where layouts are written.  before: the verdict in the wanted one."""

    wanted: Path
    used: Path
    before: Verdict | None

    @classmethod
    def opened(cls, args: argparse.Namespace, panel: Panel) -> ResultFolder:
        """The folder of the command line, made if missing; a second one beside it where it holds a layout."""
        wanted = output_folder(args, args.out)
        before = _verdict_in(wanted, panel)
        if before is None:
            return cls(wanted, wanted, None)
        beside = Path(f"{wanted}{BESIDE}")
        args.until_done.callback(_remove_if_empty, beside)  # after its lock is gone
        return cls(wanted, output_folder(args, beside), before)

    def settled(self, panel: Panel, verdict: Verdict) -> tuple[Path, str]:
        """The folder that a final verdict belongs into, and where that is in words."""
        from stiffen.optimise.search.incumbent import rank
        from stiffen.output.bench_files import remove_bench_files

        if self.before is None:
            return self.used, f"in {self.used}"
        if rank(panel, verdict) <= rank(panel, self.before):
            remove_bench_files(self.used)
            (self.used / "layout.json").unlink(missing_ok=True)
            return self.wanted, f"in {self.wanted}"
        kept = f"beside {self.wanted}, which keeps its better layout ({summary(self.before)})"
        return self.used, f"in {self.used}, {kept}"


def _remove_if_empty(folder: Path) -> None:
    with suppress(OSError):
        folder.rmdir()


def _verdict_in(folder: Path, panel: Panel) -> Verdict | None:
    """The verdict on the layout in a folder; None unless it is of this panel and these demands and breaks no rule."""
    from stiffen.errors import StiffenError
    from stiffen.io.files import read_json
    from stiffen.io.panel_file import read_layout
    from stiffen.io.result_json import verdict_from_document
    from stiffen.shop.layout_check import audit

    file = folder / "layout.json"
    try:
        _, layout = read_layout(file)
        if layout.gauge not in panel.gauges or not panel.within_count_limits(layout) or audit(panel, layout):
            return None
        return verdict_from_document(panel, layout, read_json(file).get("result"))
    except StiffenError:
        return None  # no layout there, or one that cannot be read
