"""The documents: every block in them parses, every command in them runs, every key is named."""

import inspect
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import stiffen
from stiffen.cli.entry import main
from stiffen.cli.parser import make_parser

ROOT = Path(__file__).parents[2]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "examples" / "README.md",
    ROOT / "benchmarks" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
]
README_LINES = 150  # a newcomer reads so far


def blocks(path, kind):
    """The fenced blocks of a kind, in order."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", path.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


def commands(path):
    """Each command of the shell blocks, comments and line ends taken off."""
    lines = "".join(blocks(path, "sh")).splitlines()
    parts = [part for line in lines for part in line.split(" && ")]
    return [words for part in parts if (words := shlex.split(part, comments=True))]


def test_every_block_says_what_it_is():
    for path in DOCUMENTS:
        fences = re.findall(r"^```(.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)
        assert set(fences[::2]) <= {"sh", "toml", "text", "python"} and set(fences[1::2]) <= {""}, path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with the examples and with the panel of the README, in which commands run."""
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    (tmp_path / "lid.toml").write_text(blocks(ROOT / "README.md", "toml")[0], encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def quickened(words):
    """The same command, with little time and a quick mesh."""
    if words[0] in ("check", "search", "draw"):
        words = [*words, "--mesh", "quick"]
    return [*words, "--seconds", "2"] if words[0] == "search" else words


@pytest.mark.slow
@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_commands_run(path, folder):
    known = re.compile(
        r"python3 -m venv|.*pip install|.*pytest|.*ruff|.*mypy|bash .ci/run|python -m build|.*lint-imports|dask "
    )  # .ci/run's; a Dask cluster has tests of its own
    for words in commands(path):
        if words[1:2] == ["proof"] or "--cluster" in words:  # it needs a finished panel, or other computers
            make_parser().parse_args(words[1:])
        elif words[-2:-1] == ["examples/make_stories.py"]:
            assert (ROOT / words[-2]).exists()
        elif Path(words[0]).name == "stiffen":
            assert main(quickened(words[1:])) in (0, 1), words
        elif words[-1] == "docs/make_pages.py":
            pass  # what it makes is compared below
        elif words[-1].startswith("benchmarks/") or words[0] == "python" and words[1].startswith("benchmarks/"):
            helped = subprocess.run([sys.executable, ROOT / words[1], "--help"], capture_output=True, text=True)
            assert helped.returncode == 0 and "usage" in helped.stdout, words
        else:
            assert known.match(" ".join(words)) or "stiffen.validate" in words, words


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_panel_blocks_parse(path):
    for block in blocks(path, "toml"):
        assert tomllib.loads(block)


def test_readme_stays_short_and_reaches_every_page():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(readme.splitlines()) <= README_LINES
    for page in sorted((ROOT / "docs").glob("*.md")):
        assert f"(docs/{page.name})" in readme, page.name


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(path):
    for link in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / link).exists(), link


@pytest.fixture(scope="module")
def pages():
    """The module docs/make_pages.py."""
    return runpy.run_path(str(ROOT / "docs" / "make_pages.py"))


PARTS = [
    ("panel_file.md", "panel keys"),
    ("build_file.md", "build keys"),
    ("tools_file.md", "tools keys"),
    ("tools_file.md", "spacing"),
    ("tools_file.md", "minutes"),
]


@pytest.mark.parametrize(
    ("file", "name"), [*PARTS, pytest.param("accuracy.md", "accuracy", marks=pytest.mark.slow)], ids=lambda part: part
)
def test_pages_are_as_the_code_makes_them(pages, file, name):
    assert set(pages["PARTS"]) == {*PARTS, ("accuracy.md", "accuracy")}
    page = (ROOT / "docs" / file).read_text(encoding="utf-8")
    made = pages["with_part"](page, name, pages["PARTS"][file, name]())
    assert made == page, "run python docs/make_pages.py --accuracy"


@pytest.mark.slow
def test_python_page_runs(tmp_path, monkeypatch, capsys):
    """Its blocks run one after the other, the first with the README's panel and little time."""
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lid.toml").write_text(blocks(ROOT / "README.md", "toml")[0], encoding="utf-8")
    code = blocks(ROOT / "docs" / "python.md", "python")
    assert len(code) >= 3 and sum(block.count("\n") for block in code) <= 40, page
    names = {"__name__": "docs"}
    for block in code:
        exec(compile(block.replace("seconds=20", 'seconds=2, mesh_level="quick"'), "docs/python.md", "exec"), names)
    assert (tmp_path / "out" / "lid" / "card.pdf").exists() and (tmp_path / "marking.dxf").exists()
    out = capsys.readouterr().out
    assert "met" in out and "()" in out


def test_glossary_agrees_with_files_and_records():
    """Each file word is a table or key of keys.toml, each code word a public record; no table or record is missing."""
    lines = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8").splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| ")][1:]
    assert all(len(row) == 5 and row[0] and row[2] for row in rows)
    assert len({row[0] for row in rows}) == len(rows) >= 40
    meanings = tomllib.loads((ROOT / "docs" / "keys.toml").read_text(encoding="utf-8"))
    tables = {table for file in meanings.values() for table in file}
    keys = {key for file in meanings.values() for table in file.values() for key in table}
    assert {row[3].strip("`") for row in rows} - {""} <= tables | keys | {"spacing", "minutes"}
    assert tables - {"dxf_layers"} <= {row[3].strip("`") for row in rows}
    records = {name for name in stiffen.__all__ if inspect.isclass(getattr(stiffen, name))}
    errors = {name for name in records if issubclass(getattr(stiffen, name), Exception)}
    assert {row[4].strip("`") for row in rows} - {""} == records - errors - {"Fault"}
