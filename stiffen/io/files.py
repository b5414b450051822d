"""Reads text, TOML and JSON files with clear faults; writes files whole or not at all."""

from __future__ import annotations

import errno
import json
import math
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np

from stiffen.errors import Fault, InputError
from stiffen.model.value_rules import printable

MAX_TOML_BYTES = 2_000_000  # bytes; a panel file has a few thousand
MAX_JSON_BYTES = 10_000_000
MAX_KEY_PARTS = 20  # parts of a dotted key; the time and memory of tomllib grow with their square
KEY_PART_PATTERN = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
DEEP_KEY_PATTERN = re.compile(rf"(?<![\w-]){KEY_PART_PATTERN}(?:[ \t]*+\.[ \t]*+{KEY_PART_PATTERN}){{{MAX_KEY_PARTS}}}")
LAYOUT_FILE_CURE = "a layout.json that search or draw wrote is wanted here"
FilePath = str | os.PathLike[str]
CURES_BY_ERRNO = {  # cures for a path that cannot be read or written
    errno.EACCES: "take another place, or have its permissions changed",
    errno.EPERM: "take another place, or have its permissions changed",
    errno.EROFS: "it is read-only: take another place",
    errno.ENOSPC: "the disk is full: make room, or take another place",
    errno.EDQUOT: "your share of the disk is full: make room, or take another place",
    errno.EFBIG: "the disk or your account takes no file of that size: take another place",
    errno.ENOENT: "make the folder first",
    errno.EISDIR: "name a file in that folder",
    errno.ENOTDIR: "a part of the path is a file, not a folder",
    errno.ENAMETOOLONG: "take a shorter name",
    errno.ELOOP: "the link leads back to itself: name the file",
}


def file_error(path: FilePath, what: str, cure: str = "") -> InputError:
    """The error for a file that cannot be used."""
    return InputError([Fault(os.fspath(path), what, cure)])


def system_error(path: FilePath, what: str, error: Exception) -> InputError:
    """The error for an operation on a path that the system refuses: what cannot be done, the reason, a cure."""
    reason = (getattr(error, "strerror", None) or str(error)).lower()
    return file_error(path, f"{what}: {reason}", CURES_BY_ERRNO.get(getattr(error, "errno", None) or 0, ""))


def check_file(path: FilePath, max_bytes: int) -> Path:
    """The path of an ordinary file of at most `max_bytes` bytes.  InputError otherwise."""
    try:
        found = os.stat(path)
    except FileNotFoundError:
        dangling = os.path.islink(path)
        what = "is a link to a file that is not there" if dangling else "there is no such file"
        raise file_error(path, what, "check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise system_error(path, "cannot be opened", error) from None
    if stat.S_ISDIR(found.st_mode):
        raise file_error(path, "is a folder", "name the file in it")
    if not stat.S_ISREG(found.st_mode):
        raise file_error(path, "is not an ordinary file", "save it as a file and name that")
    if found.st_size > max_bytes:
        what = f"has {found.st_size / 1e6:.1f} MB; at most {max_bytes / 1e6:g} MB are read"
        raise file_error(path, what, "is it the right file? leave only what describes the panel")
    return Path(path)


def read_text(path: FilePath, max_bytes: int) -> str:
    """The text of a UTF-8 file of at most `max_bytes` bytes, a byte order mark left out.  InputError otherwise."""
    try:
        return check_file(path, max_bytes).read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise file_error(path, f"is not UTF-8 text in line {line}", "save it as UTF-8") from None
    except OSError as error:
        raise system_error(path, "cannot be read", error) from None


def read_toml(path: FilePath) -> dict:
    """The tables of a TOML file.  InputError names the line that cannot be read."""
    text = read_text(path, MAX_TOML_BYTES)
    if deep := DEEP_KEY_PATTERN.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise file_error(path, f"line {line} is nested too deep", f"a key has at most {MAX_KEY_PARTS} parts")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise file_error(path, "is nested too deep", "lists of points are the deepest that is needed") from None
    except ValueError as error:
        raise file_error(path, *_toml_fault(str(error), text)) from None


TOML_CURES = (  # (start of the parser's message, cure)
    ("Cannot overwrite", "the key occurs twice"),
    ("Cannot declare", "the heading occurs twice; [[double brackets]] open one more of a kind"),
    ("Illegal character", "a text ends with its quote on the same line"),
)


def _toml_fault(message: str, text: str) -> tuple[str, str]:
    """What is wrong with TOML text, with the line itself, and a cure."""
    if text.lstrip().startswith("{"):
        return "is not TOML", "it looks like a layout (JSON); a TOML file is wanted here"
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    if not found:
        if "end of document" in message:
            return message, "a bracket or quote is still open"
        return "holds a number that is far too long", "is it the right file?"
    number = int(found[1])
    line = printable(text.split("\n")[number - 1].strip(), 80)
    what = f"line {number}, column {found[2]}: {message[: found.start()].strip()}: {line}"
    if re.search(r"=\s*-?\d+,\d", line):
        return what, "decimals take a point: 0.5, not 0,5"
    if re.match(r"[\w.-]+\s*=\s*[A-Za-z]", line):
        return what, 'put text in quotes: "up"'
    return what, next((cure for start, cure in TOML_CURES if message.startswith(start)), "a line reads: key = value")


def read_json(path: FilePath) -> dict:
    """The object of a JSON file.  InputError names the line that cannot be read."""
    text = read_text(path, MAX_JSON_BYTES)
    try:
        data = json.loads(text)
    except RecursionError:
        raise file_error(path, "is nested too deep", LAYOUT_FILE_CURE) from None
    except json.JSONDecodeError as error:
        what = f"is not JSON: line {error.lineno}, column {error.colno}: {error.msg}"
        raise file_error(path, what, LAYOUT_FILE_CURE) from None
    except ValueError:
        raise file_error(path, "holds a number that is far too long", LAYOUT_FILE_CURE) from None
    if not isinstance(data, dict):
        raise file_error(path, "holds no JSON object", LAYOUT_FILE_CURE)
    return data


@contextmanager
def atomic_write(path: FilePath) -> Iterator[Path]:
    """Give a temporary name beside `path` to write to; on success the file replaces `path`, else it is removed.

    No half-written file is ever seen, and none is lost at a power cut: the content is flushed to the disk before the
    file is renamed, the folder after it.  If `path` is a link, the file it leads to is replaced; a pipe or a device is
    written to directly.  InputError if the path cannot be written.
    """
    target = Path(os.path.realpath(path))
    fresh = temporary_name(target, os.getpid())
    try:
        if target.exists() and not (target.is_file() or target.is_dir()):
            yield target
            return
        yield fresh
        _flush_to_disk(fresh)
        os.replace(fresh, target)
        with suppress(OSError):  # not every file system can; the file itself is whole in any case
            _flush_to_disk(target.parent)
    except BaseException as error:
        with suppress(OSError, ValueError):
            fresh.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise system_error(path, "cannot be written", error) from None
        raise


def _flush_to_disk(path: Path) -> None:
    """Flush a file's content, or a folder's list of names, from the system's buffers to the disk."""
    if path.is_dir() and os.name != "posix":  # Windows has no handle of a folder that could be flushed
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def temporary_name(target: Path, process_id: int | str) -> Path:
    """The temporary name of a file that a process is writing; its suffix, which tells writers the format, stays."""
    return target.parent / f".{target.name}.{process_id}.part{target.suffix}"


def json_text(data: dict, *, ascii_only: bool = False) -> str:
    """`data` as JSON text.  Numpy values become numbers and lists; NaN and infinity, unknown to JSON, become null.

    ascii_only: other letters are written as JSON escapes, which every console and every reader takes.
    """
    return json.dumps(_json_value(data), indent=1, ensure_ascii=ascii_only, allow_nan=False) + "\n"


def write_json(path: FilePath, data: dict) -> None:
    """Write the data as JSON, whole or not at all.  InputError if the path cannot be written."""
    text = json_text(data)
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8", errors="surrogateescape")  # paths as a 7-bit system reads them


def _json_value(value: Any) -> Any:
    """`value` in the types that JSON has."""
    if isinstance(value, dict):
        return {str(key): _json_value(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _json_value(value.tolist())
    if isinstance(value, list | tuple):
        return [_json_value(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
