"""Opens a panel file for the page: its draft, locked for this process, and the session."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stiffen.errors import InputError
from stiffen.io.files import MAX_TOML_BYTES, read_text
from stiffen.io.folder_lock import locked_folder
from stiffen.io.panel_file import read_panel
from stiffen.model.layout import Layout

from .draft import read_draft
from .panel_text import data_of_text, panel_of_text
from .records import layout_from
from .session import Session

DRAFT_SUFFIX = ".page"


@contextmanager
def opened(file: Path, start: Layout | None = None) -> Iterator[Session]:
    """The session of a panel file; its draft folder is locked until the block ends.

    Without `start`, the layout is the last of the draft, else the panel's own.  InputError for a panel file with
    faults, unless the draft holds a sound text of it, and if another process has the page open.
    """
    file = file.resolve()
    text = read_text(file, MAX_TOML_BYTES)
    with locked_folder(file.with_name(file.stem + DRAFT_SUFFIX)) as folder:
        draft = read_draft(folder)
        panel = None
        if draft.states and start is None:
            try:
                panel = panel_of_text(draft.current_text, file.parent, data_of_text(text))
                layout_from(draft.current, panel)
            except InputError:
                panel = None
        if panel is None:
            panel = read_panel(file)
            draft.add((start or panel.layout()).to_dict(), text)
        session = Session(file, draft, panel, text)
        try:
            session.start()
            yield session
        finally:
            session.close()
