"""Files as text, TOML and JSON: read with clear faults, written whole or not at all."""

from __future__ import annotations

import json
import math
import os
import re
import stat
import tomllib
from pathlib import Path

import numpy as np

from .errors import Fault, InputError

GREATEST_FILE = 20_000_000  # bytes; a panel file has a few thousand
Where = str | os.PathLike


def refuse(path: Where, what: str, cure: str = "") -> InputError:
    """The error for a file that cannot be used at all."""
    return InputError([Fault(os.fspath(path), what, cure)])


def check_file(path: Where) -> Path:
    """The path of an ordinary file of reasonable size.  InputError otherwise."""
    try:
        found = os.stat(path)
    except FileNotFoundError:
        raise refuse(path, "there is no such file", "check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise refuse(path, f"cannot be opened: {_reason(error)}") from None
    if stat.S_ISDIR(found.st_mode):
        raise refuse(path, "is a folder", "name the file in it")
    if not stat.S_ISREG(found.st_mode):
        raise refuse(path, "is not an ordinary file")
    if found.st_size > GREATEST_FILE:
        raise refuse(path, f"has {found.st_size / 1e6:.0f} MB; at most {GREATEST_FILE / 1e6:.0f} MB are read")
    return Path(path)


def read_text(path: Where) -> str:
    """The text of a UTF-8 file, a byte order mark left out.  InputError if it cannot be had."""
    try:
        return check_file(path).read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise refuse(path, f"is not UTF-8 text in line {line}", "save it as UTF-8") from None
    except OSError as error:
        raise refuse(path, f"cannot be read: {_reason(error)}") from None


def read_toml(path: Where) -> dict:
    """The tables of a TOML file.  InputError names the line that cannot be read."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise refuse(path, "is nested too deep") from None
    except ValueError as error:
        raise refuse(path, *_toml_fault(str(error), text)) from None


TOML_CURES = (  # (start of the parser's message, what would do)
    ("Cannot overwrite", "the key stands there twice"),
    ("Cannot declare", "the heading stands there twice; [[double brackets]] open one more of a kind"),
    ("Illegal character", "a text ends with its quote on the same line"),
)


def _toml_fault(message: str, text: str) -> tuple[str, str]:
    """What is wrong with TOML text, the line itself shown, and what would do."""
    if text.lstrip().startswith("{"):
        return "is not TOML", "it looks like a layout (JSON); a TOML file is wanted here"
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    if not found:
        at_end = "end of document" in message
        return (message, "a bracket or quote is still open") if at_end else ("holds a number that is far too long", "")
    number = int(found[1])
    line = text.split("\n")[number - 1].strip()[:80]
    what = f"line {number}, column {found[2]}: {message[: found.start()].strip()}: {line}"
    if re.search(r"=\s*-?\d+,\d", line):
        return what, "decimals take a point: 0.5, not 0,5"
    if re.match(r"[\w.-]+\s*=\s*[A-Za-z]", line):
        return what, 'text stands in quotes: "up"'
    return what, next((cure for start, cure in TOML_CURES if message.startswith(start)), "")


def read_json(path: Where) -> dict:
    """The object of a JSON file.  InputError names the line that cannot be read."""
    text = read_text(path)
    try:
        data = json.loads(text)
    except RecursionError:
        raise refuse(path, "is nested too deep") from None
    except json.JSONDecodeError as error:
        raise refuse(path, f"is not JSON: line {error.lineno}, column {error.colno}: {error.msg}") from None
    except ValueError as error:
        raise refuse(path, f"is not JSON: {error}") from None
    if not isinstance(data, dict):
        raise refuse(path, "holds no JSON object", "give a layout file")
    return data


def write_json(path: Where, data: dict) -> None:
    """Write `data` as JSON: under a temporary name first, then renamed, so that no half file is ever seen.

    numpy numbers and arrays become numbers and lists; NaN and infinity, which JSON has not, become null.
    InputError if the place cannot be written.
    """
    text = json.dumps(_plain(data), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    target = Path(path)
    temporary = target.parent / f".{target.name}.{os.getpid()}.part"
    try:
        temporary.write_text(text, encoding="utf-8")
        os.replace(temporary, target)
    except (OSError, ValueError) as error:
        raise refuse(path, f"cannot be written: {_reason(error)}") from None
    finally:
        temporary.unlink(missing_ok=True)


def _plain(value: object) -> object:
    """`value` with only what JSON has."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _reason(error: Exception) -> str:
    """The reason in the system's words, without the number and the path."""
    return (getattr(error, "strerror", None) or str(error)).lower()
