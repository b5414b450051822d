"""The folder of a build: its sheet, pictures and report, and a folder with the bench files of each panel and strip."""

from __future__ import annotations

import base64
import html
from collections.abc import Collection, Mapping
from pathlib import Path

from stiffen.assembly.part_rules import file_stem
from stiffen.io.files import atomic_write, write_json
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult, Verdict
from stiffen.output.bench_files import write_bench_files
from stiffen.output.report.page_flow import write_pages
from stiffen.output.report.sections import Section, Table

from .assembled_picture import write_assembled
from .build_json import build_document
from .build_sections import build_sections, build_text
from .build_sheet import BuildSheet
from .sheet_plan_picture import write_sheet_plan

BUILD_FILES = ("build.json", "build.txt", "build.pdf", "build.html", "assembled.png", "sheets.png")
STYLE = (
    "body{font:16px/1.45 sans-serif;max-width:60em;margin:1em auto;padding:0 1em;color:#1c1c1c}"
    "table{border-collapse:collapse}td,th{padding:.2em .7em;border-bottom:1px solid #d8d8d8;text-align:left}"
    "td.n,th.n{text-align:right}img{max-width:100%}h2{font-size:1.05em;margin-top:1.6em}"
)


def folder_name(name: str) -> str:
    """The folder of a part inside the folder of its build."""
    return file_stem(name)


def write_build(
    sheet: BuildSheet,
    results: Mapping[str, SearchResult | Verdict],
    folder: Path,
    paper: str = "a4",
    written: Collection[str] = (),
) -> dict:
    """Write the bench files of every part, then those of the build; returns the build's result as plain data.

    results: of each panel by name, with result fields.  folder: exists.  written: panels whose files are there.
    Raises InputError if a file cannot be written.
    """
    fitted = sheet.fitted
    for name, result in results.items():
        if name not in written:
            write_part(fitted.panels[name], result, folder, paper)
    for strip in fitted.build.strips:
        panel = fitted.strips[strip.name]
        write_part(panel, strip_verdict(panel), folder, paper)
    for name in BUILD_FILES:
        (folder / name).unlink(missing_ok=True)
    write_sheet_plan(sheet.bought, folder / "sheets.png")
    write_assembled(sheet, folder / "assembled.png")
    data = build_document(sheet)
    write_json(folder / "build.json", data)
    _write_text(folder / "build.txt", build_text(sheet))
    title = f"{fitted.build.name}: build sheet"
    write_pages(folder / "build.pdf", title, build_sections(sheet), footer=title, paper=paper)
    _write_text(folder / "build.html", _page(title, sheet, folder))
    return data


def write_part(panel: Panel, result: SearchResult | Verdict, folder: Path, paper: str = "a4") -> None:
    """Write the bench files of one part into its own folder."""
    own = folder / folder_name(panel.name)
    own.mkdir(exist_ok=True)
    write_bench_files(panel, result, own, paper=paper)


def strip_verdict(panel: Panel) -> Verdict:
    """The verdict on a strip, of which nothing is asked: its mass alone."""
    layout = Layout(panel.gauges[0])
    mass = panel.mass(layout)
    return Verdict(panel.name, layout, mass, mass, (), nodes=0)


def _write_text(path: Path, text: str) -> None:
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")


def _page(title: str, sheet: BuildSheet, folder: Path) -> str:
    """The report of the build in one file, pictures included."""
    name = html.escape(title)
    parts = [f"<!doctype html><html lang=en><meta charset=utf-8><title>{name}</title><style>{STYLE}</style>"]
    parts.append(f"<h1>{name}</h1>")
    sections = build_sections(sheet)
    parts.append(_section(sections[0]))
    for file, words in (("assembled.png", "The assembled build"), ("sheets.png", "Sheets to buy, with the blanks")):
        if (folder / file).exists():
            data = base64.b64encode((folder / file).read_bytes()).decode("ascii")
            parts.append(f"<h2>{words}</h2><img alt='{words}' src='data:image/png;base64,{data}'>")
    parts += [_section(one) for one in sections[1:]]
    links = [*sheet.built, *(strip.name for strip in sheet.fitted.build.strips)]
    rows = "".join(
        f"<li><a href='{folder_name(one)}/report.html'>{html.escape(one)}</a>" for one in links
    )  # fmt: skip
    return "\n".join([*parts, f"<h2>PARTS</h2><ul>{rows}</ul></html>"]) + "\n"


def _section(section: Section) -> str:
    found = [f"<h2>{html.escape(section.title)}</h2>"]
    for part in section.parts:
        if isinstance(part, Table):
            marks = ["n" if place in part.right_aligned else "" for place in range(len(part.head))]
            head = "".join(f"<th class='{m}'>{html.escape(c)}" for m, c in zip(marks, part.head, strict=True))
            body = "".join(
                "<tr>" + "".join(f"<td class='{m}'>{html.escape(c)}" for m, c in zip(marks, row, strict=True))
                for row in part.rows
            )
            found.append(f"<table><tr>{head}{body}</table>")
        else:
            found.append(f"<p>{html.escape(part)}</p>")
    return "\n".join(found)
