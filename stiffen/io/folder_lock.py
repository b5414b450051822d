"""An output folder locked for one process at a time, so that two searches into one folder do not mix.

It is a lock of the system on a file in the folder; the system releases it when the process ends, also by a crash.  The
file names the process that holds the lock, since when and what for.  The next process that locks the folder removes
the half-written files that a killed process left.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from .files import FilePath, file_error, system_error, temporary_name

LOCK_FILE_NAME = ".stiffen.lock"
LOCKED_BYTES = 1 if sys.platform == "win32" else 0  # at the start of the file; other processes cannot read them


@contextmanager
def locked_folder(name: FilePath, purpose: str = "") -> Iterator[Path]:
    """Context: the folder of that name, locked for this process until the block ends; made if it is missing.

    purpose: what is written there, such as the command; a second process that wants the folder is told.
    InputError if it cannot be made or written to, or if another process has locked it.
    """
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise file_error(folder, "is a file, not a folder", "name a folder for the output") from None
    except OSError as error:
        raise system_error(folder, "cannot be made", error) from None
    lock, last_holder = _acquire(folder)
    try:
        try:
            _remove_leftovers(folder, last_holder)
            _write_holder(folder, purpose)
        except OSError as error:
            raise system_error(folder, "cannot be written to", error) from None
        yield folder
    finally:
        with suppress(OSError):
            (folder / LOCK_FILE_NAME).unlink()
        lock.release()


def _acquire(folder: Path) -> tuple[FileLock, str]:
    """Take the lock.  Returns it, and the line that names the process that held it before ("" if there is none)."""
    path = folder / LOCK_FILE_NAME
    while True:
        holder = _read_holder(path)
        lock = FileLock(path)
        try:
            lock.acquire(timeout=0)
            return lock, holder
        except Timeout:
            if not path.exists():  # the process that held it has just ended and removed the file
                continue
            what = f"is being written to by {_told(_read_holder(path) or holder)}"
            raise file_error(folder, what, "wait for it or stop it, or name another folder") from None
        except OSError as error:
            raise system_error(folder, "cannot be written to", error) from None


def _told(holder: str) -> str:
    """Purpose, process and time of the line that names a lock's holder, as words."""
    process, day, hour, purpose = (*holder.split(" ", 3), "", "", "", "")[:4]
    if not hour:
        return "another process"
    return f"{purpose} (process {process}), since {day} {hour}" if purpose else f"process {process}, since {day} {hour}"


def _read_holder(path: Path) -> str:
    """The line that names the process holding a lock, "" where it cannot be read."""
    with suppress(OSError), open(path, "rb", buffering=0) as file:
        file.seek(LOCKED_BYTES)
        return file.readline().decode("utf-8", "replace").strip()
    return ""


def _write_holder(folder: Path, purpose: str) -> None:
    """Write our own process, the time and what is written into the lock's file."""
    one_line = "".join(letter if letter.isprintable() else "?" for letter in purpose)
    with open(folder / LOCK_FILE_NAME, "r+b", buffering=0) as file:
        file.truncate(LOCKED_BYTES)
        file.seek(LOCKED_BYTES)
        file.write(f"{os.getpid()} {time.strftime('%Y-%m-%d %H:%M:%S')} {one_line}".rstrip().encode() + b"\n")


def _remove_leftovers(folder: Path, last_holder: str) -> None:
    """Remove the half-written files of a process that died while it held the folder."""
    process = last_holder.partition(" ")[0]
    if process.isdecimal():
        for left in folder.glob(temporary_name(Path("*"), process).name + "*"):
            with suppress(OSError):
                left.unlink()
