"""Write the parts of these pages that come from the code: tables of keys, spacing rules, the accuracy table.

    python docs/make_pages.py              all but the accuracy table, which takes a minute
    python docs/make_pages.py --accuracy   all

A test compares the pages with what this writes.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path

from stiffen.shop.process_plan import BENCH_MINUTES
from stiffen.shop.spacing_rules import SPACING_RULES
from stiffen.validation import runner

HERE = Path(__file__).parent
DATA = HERE.parent / "stiffen" / "data"


def table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """A Markdown table; a bar in a cell is escaped."""
    lines = [head, ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def examples(path: Path) -> dict[str, dict[str, str]]:
    """Keys of a commented TOML file by heading, those behind a # too, with the first value that stands there."""
    found: dict[str, dict[str, str]] = {}
    heading = "top"
    for line in path.read_text(encoding="utf-8").splitlines():
        if match := re.match(r"(?:# ?)?(\[{1,2}[a-z_]+\]{1,2})(?:\s*(?:#.*)?)?$", line):
            heading = match[1]
        elif (match := re.match(r"(?:# ?)?(\w+) = (\S.*?)(?:\s{2,}.*)?$", line)) and is_value(match[2]):
            found.setdefault(heading, {}).setdefault(match[1], match[2])
    return found


def is_value(text: str) -> bool:
    """True where the text is a TOML value, or a list of points whose numbers are left open."""
    try:
        tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text.startswith("[[x, y]")
    return True


def key_tables(path: Path, name: str) -> str:
    """One Markdown table a heading: key, example, meaning.

    ValueError where the file and docs/keys.toml differ in their keys.
    """
    meanings = tomllib.loads((HERE / "keys.toml").read_text(encoding="utf-8"))[name]
    parts = []
    for heading, rows in examples(path).items():
        bare = heading.strip("[]")
        if bare in ("spacing", "minutes"):
            continue  # tables of their own
        known = meanings.pop(bare, {})
        if set(known) != set(rows):
            raise ValueError(
                f"{name}: {bare}: {sorted(set(known) ^ set(rows))} stand in one of file and keys.toml only"
            )
        cells = [(f"`{key}`", f"`{rows[key]}`", meaning) for key, meaning in known.items()]
        title = "At the top" if bare == "top" else f"`{heading}`"
        parts.append(f"### {title}\n\n" + table(("key", "example", "meaning"), cells))
    if meanings:
        raise ValueError(f"{name}: {sorted(meanings)} stand in keys.toml only")
    return "\n\n".join(parts)


def spacing() -> str:
    """The spacing rules with formula and source."""
    rows = ((f"`{rule.name}`", rule.description, rule.formula, rule.source) for rule in SPACING_RULES.values())
    return table(("rule", "distance", "mm; t: sheet, d: fastener", "source"), rows)


def minutes() -> str:
    """The minutes at the bench."""
    rows = ((f"`{name}`", f"{one.minutes:g}", one.description) for name, one in BENCH_MINUTES.items())
    return table(("work", "minutes", "what"), rows)


def accuracy() -> str:
    """What `python -m stiffen.validate --short` prints."""
    return "```text\n" + "\n".join(runner.summary_table(runner.measure())) + "\n```"


PARTS: dict[tuple[str, str], Callable[[], str]] = {
    ("panel_file.md", "panel keys"): lambda: key_tables(DATA / "starter_panel.toml", "panel_file"),
    ("build_file.md", "build keys"): lambda: key_tables(DATA / "starter_build.toml", "build_file"),
    ("tools_file.md", "tools keys"): lambda: key_tables(DATA / "starter_tools.toml", "tools_file"),
    ("tools_file.md", "spacing"): spacing,
    ("tools_file.md", "minutes"): minutes,
    ("accuracy.md", "accuracy"): accuracy,
}


def with_part(page: str, name: str, text: str) -> str:
    """The page with one part written anew."""
    start, end = f"<!-- made by docs/make_pages.py: {name} -->\n", "<!-- end -->"
    head, _, rest = page.partition(start)
    old, _, tail = rest.partition(end)
    if not tail and end not in rest:
        raise ValueError(f"no part {name!r} in the page")
    return f"{head}{start}{text}\n{end}{tail}"


def main(argv: list[str]) -> None:
    for (file, name), make in PARTS.items():
        if name == "accuracy" and "--accuracy" not in argv:
            continue
        path = HERE / file
        path.write_text(with_part(path.read_text(encoding="utf-8"), name, make()), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
