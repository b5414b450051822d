"""The draft of a page on disk: every released layout, every step back, in a file that is only appended to.

A line is a JSON object.  {"text": ...}: a text of the panel file; texts are numbered from 0.  {"state": ...}: a new
state after the one that was current; what had been undone is dropped.  {"at": k}: state k became current by undo or
redo.  {"kept": [...]}: the layouts kept side by side.  A line that was cut off by a crash is left out when the file is
read again, so that at most the last release is lost.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stiffen.io.files import check_file, system_error

DRAFT_FILE_NAME = "draft.jsonl"
MAX_DRAFT_BYTES = 200_000_000
State = dict[str, Any]  # gauge, beads, holes as in a layout file; text: number of the panel file's text


@dataclass(eq=False)
class Draft:
    """States of a layout, the current one, and the kept layouts; each change is on disk when its method returns."""

    path: Path
    texts: list[str] = field(default_factory=list)
    states: list[State] = field(default_factory=list)
    at: int = -1
    kept: list[dict] = field(default_factory=list)

    @property
    def current(self) -> State:
        """The current state."""
        return self.states[self.at]

    @property
    def current_text(self) -> str:
        """The panel file's text of the current state."""
        return self.texts[self.current["text"]]

    def add(self, state: State, text: str) -> None:
        """A new current state under a text of the panel file."""
        if text not in self.texts:
            self._append({"text": text})
        self._append({"state": {**state, "text": self.texts.index(text)}})

    def step(self, by: int) -> bool:
        """Undo (-1) or redo (+1); False if there is nothing to undo or redo."""
        if not 0 <= self.at + by < len(self.states):
            return False
        self._append({"at": self.at + by})
        return True

    def keep(self, kept: list[dict]) -> None:
        """The layouts kept side by side."""
        self._append({"kept": kept})

    def _append(self, line: dict) -> None:
        """Write a line to the disk, then take it in."""
        try:
            with open(self.path, "ab") as file:
                file.write(json.dumps(line, separators=(",", ":")).encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise system_error(self.path, "cannot be written", error) from None
        self._take(line)

    def _take(self, line: dict) -> None:
        if "text" in line:
            self.texts.append(str(line["text"]))
        elif "state" in line:
            del self.states[self.at + 1 :]
            self.states.append(line["state"])
            self.at = len(self.states) - 1
        elif "at" in line:
            self.at = int(line["at"])
        elif "kept" in line:
            self.kept = list(line["kept"])


def read_draft(folder: Path) -> Draft:
    """The draft in a folder; an empty one if there is none.

    What a crash cut off at its end is removed, so that later lines can be read.  A file that is no draft is put aside
    under another name.  InputError if it cannot be read.
    """
    draft = Draft(folder / DRAFT_FILE_NAME)
    if not draft.path.exists():
        return draft
    check_file(draft.path, MAX_DRAFT_BYTES)
    try:
        data = draft.path.read_bytes()
        whole = 0
        for line in data.splitlines(keepends=True):
            try:
                content = json.loads(line)
                if not line.endswith(b"\n") or not isinstance(content, dict):
                    break
                draft._take(content)
            except (ValueError, KeyError, TypeError):
                break
            whole += len(line)
        if whole < len(data):
            with open(draft.path, "r+b") as file:
                file.truncate(whole)
        if not _is_consistent(draft):
            os.replace(draft.path, draft.path.with_suffix(".damaged"))
            return Draft(draft.path)
    except OSError as error:
        raise system_error(draft.path, "cannot be read", error) from None
    return draft


def _is_consistent(draft: Draft) -> bool:
    if not draft.states:
        return True
    texts = all(isinstance(state, dict) and state.get("text") in range(len(draft.texts)) for state in draft.states)
    return texts and 0 <= draft.at < len(draft.states)
