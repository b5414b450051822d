"""The documents: every block in them parses, every command in them runs, every key is named."""

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from stiffen.cli.entry import main
from stiffen.shop.spacing_rules import SPACING_RULES

ROOT = Path(__file__).parents[2]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "examples" / "README.md",
    ROOT / "benchmarks" / "README.md",
]
DATA = ROOT / "stiffen" / "data"


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
        r"python3 -m venv|.*pip install|.*pytest|.*ruff|.*mypy|bash .ci/run|python -m build"
    )  # .ci/run's
    for words in commands(path):
        if Path(words[0]).name == "stiffen":
            assert main(quickened(words[1:])) in (0, 1), words
        elif words[-1].startswith("benchmarks/") or words[0] == "python" and words[1].startswith("benchmarks/"):
            helped = subprocess.run([sys.executable, ROOT / words[1], "--help"], capture_output=True, text=True)
            assert helped.returncode == 0 and "usage" in helped.stdout, words
        else:
            assert known.match(" ".join(words)) or "stiffen.validate" in words, words


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_panel_blocks_parse(path):
    for block in blocks(path, "toml"):
        assert tomllib.loads(block)


def keys(text):
    """Every key of a commented file, those behind a # too."""
    return set(re.findall(r"^(?:# ?)?([a-z]\w*|E) = ", text, re.MULTILINE))


@pytest.mark.parametrize("name", ["starter_panel.toml", "starter_tools.toml"])
def test_readme_names_every_key(name):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    prose = re.sub(r"^```.*?^```$", "", readme, flags=re.DOTALL | re.MULTILINE)
    named = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`\n]+)`", prose))))
    assert keys((DATA / name).read_text(encoding="utf-8")) - set(SPACING_RULES) - named == set()
