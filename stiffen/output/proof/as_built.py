"""The section "as built" of the report: measured beside computed, as `stiffen proof` keeps it in proof.json."""

from __future__ import annotations

from html import escape
from pathlib import Path

from stiffen.errors import InputError
from stiffen.io.files import atomic_write, read_json, read_text
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.proof.proof_file import PROOF_FILE_NAME, fingerprint

BEGIN, END = "<!-- as built -->", "<!-- end of as built -->"
BEFORE = "</body>"  # where it stands in a report without the two marks
MAX_REPORT_BYTES = 200_000_000


def as_built_html(document: dict | None) -> str:
    """The section as HTML; "" if nothing was measured.  document: the content of proof.json."""
    found = (document or {}).get("as_built")
    if not isinstance(found, dict) or not found.get("rows"):
        return ""
    head = "".join(f"<th>{escape(str(word))}</th>" for word in found["head"])
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(str(word))}</td>" for word in row) + "</tr>\n" for row in found["rows"]
    )
    lines = "".join(f"<p>{escape(str(line))}</p>\n" for line in found["lines"])
    return (
        f'<section id="as-built">\n<h2>Is it so as built?</h2>\n{lines}<div class="wide">\n<table>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>\n</div>\n</section>\n"
    )


def kept_proof(folder: Path, panel: Panel, layout: Layout) -> dict | None:
    """The content of proof.json in a folder, if it is of this layout; else None."""
    try:
        data = read_json(folder / PROOF_FILE_NAME)
    except InputError:
        return None
    return data if data.get("layout") == fingerprint(panel, layout) else None


def update_report(path: Path, document: dict) -> bool:
    """Put the section into a report, in place of an older one.  False if the file has no place for it."""
    text = read_text(path, MAX_REPORT_BYTES)
    section = f"{BEGIN}\n{as_built_html(document)}{END}"
    if BEGIN in text and END in text:
        start, rest = text.split(BEGIN, 1)
        text = start + section + rest.split(END, 1)[1]
    elif BEFORE in text:
        text = text.replace(BEFORE, f"{section}\n{BEFORE}", 1)
    else:
        return False
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")
    return True
