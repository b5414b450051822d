"""The panel that is open on the page: its draft, its workers, and what each message of the page does."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stiffen.errors import Fault, InputError, StiffenError
from stiffen.io.files import MAX_TOML_BYTES, atomic_write, read_text
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from . import quick_answers, search_job, shell_jobs
from .draft import Draft
from .panel_text import data_of_text, fault_rows, panel_of_text, with_drawing, with_value
from .records import bench_data, layout_from, panel_data
from .workers import Worker

MAX_KEPT = 12  # layouts side by side
MAX_DRAWING = 6_000_000  # characters of a dropped drawing
KEPT_VERDICTS = 60
SAFE_NAME = re.compile(r"[\w][\w .-]{0,80}")
Send = Callable[[dict], None]


@dataclass(eq=False)
class Session:
    """One open panel.

    file: the panel file.  draft: see `draft`.  send: tells the page something; set while one is connected.
    """

    file: Path
    draft: Draft
    panel: Panel
    file_text: str
    loop: asyncio.AbstractEventLoop | None = None
    send: Send = lambda data: None
    judged: dict[str, dict] = field(default_factory=dict)
    flat: dict | None = None
    found: dict | None = None
    searching: bool = False
    written: str = ""
    told_of_change: str = ""
    text_faults: list[dict] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.quick = Worker("quick answers", quick_answers.serve, self._from_worker)
        self.shell = Worker("the shell model", shell_jobs.serve, self._from_worker)
        self.search = Worker("the search", search_job.serve, self._from_worker)

    def start(self) -> None:
        """Start the workers that every page needs, so that they are there when it opens."""
        self.quick.tell("panel", self.panel)
        self.shell.tell("panel", self.panel)

    # ------------------------------------------------------------------------------------------------- to the page

    def greet(self) -> None:
        """Tell a page that has just connected everything."""
        self.send({"is": "panel", **panel_data(self.panel), "file": self.file.name, "text": self.draft.current_text})
        self._tell_layout("")
        self.send({"is": "kept", "kept": self.draft.kept})
        if self.flat:
            self.send({"is": "flat", **self.flat})
        self.send({"is": "search", "on": self.searching, "found": self.found})
        if self.written:
            self.send({"is": "written", "folder": self.written, "files": self._files_of(self.written)})
        self._judge()
        if self.draft.current_text != self.file_text:
            self.send({"is": "changed on disk", "file": self.file.name, "draft": True})

    def _tell_layout(self, note: str) -> None:
        draft = self.draft
        state = draft.current
        self.send({
            "is": "layout", "layout": _plain(state), "note": note, "key": self._key(),
            "undo": draft.at, "redo": len(draft.states) - 1 - draft.at,
        })  # fmt: skip

    def _key(self) -> str:
        return shell_jobs.layout_key(self.draft.current, self.draft.current["text"])

    def _judge(self) -> None:
        """Ask the shell for the current layout, or tell what it has said of it."""
        key = self._key()
        if key in self.judged:
            self.send({"is": "judged", **self.judged[key]})
        else:
            self.send({"is": "judging", "key": key})
        self.shell.tell("judge", {"key": key, "layout": _plain(self.draft.current)})

    def _from_worker(self, kind: str, content: Any) -> None:
        """Called in a worker's thread."""
        if self.loop is not None and not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self._tell_answer, kind, content)

    def _tell_answer(self, kind: str, content: Any) -> None:
        if kind.startswith("search") and not self.searching:
            return  # it was under way when the search was stopped
        if kind == "judged":
            self.judged[content["key"]] = content
            while len(self.judged) > KEPT_VERDICTS:
                del self.judged[next(iter(self.judged))]
        elif kind == "flat":
            self.flat = content
        elif kind == "search best":
            self.found = content
        elif kind in ("search ended", "search failed"):
            self.searching = False
            self.found = content if kind == "search ended" else self.found
        elif kind == "written":
            self.written = content["folder"]
        if kind == "died":
            self.searching = self.searching and not content.startswith("the process for the search")
            self.send({"is": "told", "fault": True, "text": content})
        elif kind.startswith("search"):
            why = content.get("why", "") or content.get("stopped", "")
            message = content.get("message", "")
            self.send({"is": "search", "on": self.searching, "found": self.found, "message": message, "why": why})
        else:
            self.send({"is": kind, **content})

    # ----------------------------------------------------------------------------------------------- from the page

    def receive(self, message: dict) -> None:
        """Do what a message of the page asks; a fault is told to the page."""
        does = str(message.get("do"))
        act = getattr(self, f"_do_{does}", None)
        if act is None:
            self.send({"is": "told", "fault": True, "text": "this page is of another version; reload it"})
            return
        try:
            act(message)
        except StiffenError as error:
            self.send({"is": "told", "fault": True, "text": str(error), "n": message.get("n")})

    def _do_move(self, message: dict) -> None:
        """A position of a drag: rules and mass at once, then the quick answer."""
        layout = layout_from(message["layout"], self.panel)
        self.send({"is": "bench", "n": message["n"], **bench_data(self.panel, layout)})
        self.quick.tell("layout", {"n": message["n"], "layout": layout.to_dict(), "view": _view(message)})

    def _do_release(self, message: dict) -> None:
        """The end of a drag: a new state, on disk before it is judged."""
        layout = layout_from(message["layout"], self.panel)
        self._add(layout, str(message.get("note", "")))
        self._do_move(message)

    def _add(self, layout: Layout, note: str) -> None:
        state = layout.to_dict()
        if state != _plain(self.draft.current):
            self.draft.add(state, self.draft.current_text)
        self._tell_layout(note)
        self._judge()

    def _do_undo(self, message: dict) -> None:
        self._step(-1)

    def _do_redo(self, message: dict) -> None:
        self._step(1)

    def _step(self, by: int) -> None:
        text = self.draft.current_text
        if not self.draft.step(by):
            return
        if self.draft.current_text != text:
            self._take_panel(panel_of_text(self.draft.current_text, self.file.parent, self._trusted()))
        self._tell_layout("one step back" if by < 0 else "one step forward")
        self._judge()

    # ----------------------------------------------------------------------------------------------- the panel file

    def _trusted(self) -> dict:
        try:
            return data_of_text(self.file_text)
        except InputError:
            return {}

    def _take_panel(self, panel: Panel) -> None:
        self.panel, self.flat, self.found = panel, None, None
        self.send({"is": "panel", **panel_data(panel), "file": self.file.name, "text": self.draft.current_text})
        self.quick.tell("panel", panel)
        self.shell.tell("panel", panel)
        if self.searching:
            self.search.stop()
            self.searching = False
        self.send({"is": "search", "on": False, "found": None})

    def _do_text(self, message: dict) -> None:
        """A new text of the panel file: its faults beside the lines, or a new state under the new panel."""
        self._new_text(str(message["text"]))

    def _new_text(self, text: str) -> None:
        try:
            panel = panel_of_text(text, self.file.parent, self._trusted())
            layout = layout_from(_plain(self.draft.current), panel)
        except InputError as error:
            self.send({"is": "faults", "faults": fault_rows(text, error), "text": text})
            return
        if layout.gauge not in panel.gauges:
            layout = Layout(min(panel.gauges, key=lambda gauge: abs(gauge - layout.gauge)), layout.beads, layout.holes)
        self.send({"is": "faults", "faults": [], "text": text})
        self.draft.add(layout.to_dict(), text)
        self._take_panel(panel)
        self._tell_layout("the panel changed")
        self._judge()

    def _do_set(self, message: dict) -> None:
        """One value of the panel file, from the strip beside the sheet."""
        path = list(message["path"])
        if not 0 < len(path) <= 6 or not all(isinstance(key, str | int) for key in path):
            raise InputError([Fault("page", "a value without a place", "reload the page")])
        self._new_text(with_value(self.draft.current_text, path, message.get("value")))

    def _do_dxf(self, message: dict) -> None:
        """A drawing dropped on the page becomes a file in the panel's folder and the panel's outline."""
        name, data = _safe_name(message["name"]), str(message["data"])
        if not name.lower().endswith(".dxf") or len(data) > MAX_DRAWING:
            raise InputError([Fault(name, "is not a DXF drawing of at most 6 MB", "drop the outline's DXF file")])
        target = self.file.parent / name
        same = target.exists() and target.read_bytes() == data.encode("utf-8", "surrogateescape")
        if target.exists() and not same:
            raise InputError([Fault(name, "lies in the panel's folder already, and differs", "give it another name")])
        if not same:
            with atomic_write(target) as fresh:
                fresh.write_bytes(data.encode("utf-8", "surrogateescape"))
        self._new_text(with_drawing(self.draft.current_text, name))

    def _do_save(self, message: dict) -> None:
        """Write the panel file's text to its file, unless someone else has changed that since it was read."""
        if not message.get("over") and self._disk_text() != self.file_text:
            self.notice_file(again=True)
            return
        text = self.draft.current_text
        with atomic_write(self.file) as fresh:
            fresh.write_text(text, encoding="utf-8")
        self.file_text = text
        self.send({"is": "told", "text": f"{self.file.name} is saved"})

    def _do_reread(self, message: dict) -> None:
        """Take the panel file as it is on disk now."""
        self.file_text = self.told_of_change = self._disk_text()
        self._new_text(self.file_text)

    def _disk_text(self) -> str:
        return read_text(self.file, MAX_TOML_BYTES)

    def notice_file(self, again: bool = False) -> None:
        """Tell the page if the panel file on disk is no longer the one that was read or saved; once for each change."""
        try:
            text = self._disk_text()
        except InputError as error:
            text = str(error)
        if text != self.file_text and (again or text != self.told_of_change):
            self.told_of_change = text
            self.send({"is": "changed on disk", "file": self.file.name})

    # ------------------------------------------------------------------------------------- search, kept layouts, bench

    def _do_search(self, message: dict) -> None:
        if not self.panel.demands:
            raise InputError([Fault("search", "the panel has no demand", "say what it must do")])
        if self.searching:
            return
        self.searching, self.found = True, None
        self.search.tell("panel", self.panel)
        self.search.tell(
            "search",
            {
                "layout": _plain(self.draft.current),
                "effort": message.get("effort", "quick"),
                "one_gauge": message.get("one_gauge", False),
            },
        )
        self.send({"is": "search", "on": True, "found": None, "message": "started"})

    def _do_stop(self, message: dict) -> None:
        """End the search at once; the best that it has told stays, judged as it is."""
        if self.searching:
            self.search.stop()
            self.searching = False
            why = "stopped; this was the best so far" if self.found else "stopped before anything was found"
            self.send({"is": "search", "on": False, "found": self.found, "why": why})

    def _do_take(self, message: dict) -> None:
        """Keep what the search found: it becomes the layout."""
        if self.found:
            self._add(layout_from(self.found["layout"], self.panel), "the layout that the search found")
            self._do_discard(message)

    def _do_discard(self, message: dict) -> None:
        self.found = None
        self.send({"is": "search", "on": self.searching, "found": None})

    def _do_keep(self, message: dict) -> None:
        """Put the current layout beside the others."""
        state = _plain(self.draft.current)
        verdict = self.judged.get(self._key())
        bench = bench_data(self.panel, layout_from(state, self.panel))
        entry = {"layout": state, "kg": bench["kg"], "minutes": bench["minutes"], "key": self._key(),
                 "verdict": verdict, "values": message.get("values")}  # fmt: skip
        self._set_kept([*(one for one in self.draft.kept if one["layout"] != state), entry][-MAX_KEPT:])

    def _do_drop(self, message: dict) -> None:
        index = int(message["index"])
        self._set_kept([one for place, one in enumerate(self.draft.kept) if place != index])

    def _do_swap(self, message: dict) -> None:
        """A kept layout becomes the current one."""
        kept = self.draft.kept[int(message["index"]) % max(1, len(self.draft.kept))]
        self._add(layout_from(kept["layout"], self.panel), "a layout from the shelf")

    def _set_kept(self, kept: list[dict]) -> None:
        self.draft.keep(kept)
        self.send({"is": "kept", "kept": kept})

    def _do_write(self, message: dict) -> None:
        """Write the bench folder, in the panel's folder."""
        folder = self.file.parent / _safe_name(message["folder"])
        if folder == self.draft.path.parent or folder.is_symlink():
            raise InputError([Fault(folder.name, "is not a folder for the bench files", "give it another name")])
        paper = message.get("paper") if message.get("paper") in ("a4", "letter", "roll") else "a4"
        state = _plain(self.draft.current)
        self.send({"is": "writing", "folder": folder.name})
        self.shell.tell("write", {"key": self._key(), "layout": state, "folder": str(folder), "paper": paper})

    def _files_of(self, folder: str) -> list[str]:
        path = self.file.parent / folder
        return sorted(one.name for one in path.iterdir() if not one.name.startswith(".")) if path.is_dir() else []

    def written_file(self, name: str) -> Path | None:
        """A file of the folder that was written last."""
        if not self.written or name not in self._files_of(self.written):
            return None
        return self.file.parent / self.written / name

    def close(self) -> None:
        """End the workers."""
        for worker in (self.quick, self.shell, self.search):
            worker.close()


def _plain(state: dict) -> dict:
    return {key: state[key] for key in ("gauge", "beads", "holes")}


def _view(message: dict) -> dict:
    view = message.get("view")
    return view if isinstance(view, dict) else {}


def _safe_name(name: Any) -> str:
    if not isinstance(name, str) or not SAFE_NAME.fullmatch(name) or name.endswith((".", " ")):
        raise InputError([Fault("name", "takes letters, digits, spaces, dots and dashes", "give it a plain name")])
    return name
