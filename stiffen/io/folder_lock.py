"""An output folder held by one process at a time, so that two searches into one folder do not mix.

The lock is the system's own, on a file in the folder: it ends with its process however that dies.  What a killed
process left half written is cleared away by the next one that holds the folder.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from stiffen.errors import InputError

from .files import FilePath, file_error, system_error, temporary_name

LOCK_FILE_NAME = ".stiffen.lock"
TAKEN = (errno.EACCES, errno.EAGAIN)

if sys.platform == "win32":
    import msvcrt

    def _lock(file: BinaryIO) -> None:
        file.seek(1_000_000)  # past what is written in it, which others must be able to read
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: BinaryIO) -> None:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # of the process, not handed on to those it starts


@contextmanager
def locked_folder(name: FilePath) -> Iterator[Path]:
    """The folder of that name, made where it is missing, for this process alone until the block ends.

    InputError where it cannot be made or written to, or where another process holds it.
    """
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise file_error(folder, "is a file, not a folder", "name a folder for what is written") from None
    except OSError as error:
        raise system_error(folder, "cannot be made", error) from None
    file = _acquire(folder)
    try:
        try:
            _remove_leftovers(folder, file)
        except OSError as error:
            raise system_error(folder, "cannot be written to", error) from None
        yield folder
    finally:
        with suppress(OSError):
            (folder / LOCK_FILE_NAME).unlink()
        file.close()


def _acquire(folder: Path) -> BinaryIO:
    """The lock's file, open and locked."""
    while True:
        try:
            file = open(folder / LOCK_FILE_NAME, "a+b", buffering=0)  # noqa: SIM115 - held until the block of `locked_folder` ends
        except OSError as error:
            raise system_error(folder, "cannot be written to", error) from None
        try:
            _lock(file)
            if os.path.samestat(os.fstat(file.fileno()), os.stat(folder / LOCK_FILE_NAME)):
                return file
        except FileNotFoundError:  # whoever held it was just done and took its file away
            pass
        except OSError as error:
            raise _lock_error(folder, file, error) from None
        file.close()


def _lock_error(folder: Path, file: BinaryIO, error: OSError) -> InputError:
    with file:
        if error.errno not in TAKEN:
            return system_error(folder, "cannot be locked", error)
        file.seek(0)
        process, _, since = file.readline().decode("ascii", "replace").strip().partition(" ")
    holder = f"process {process}, since {since}" if since else "another process"
    return file_error(folder, f"is being written to by {holder}", "wait for it or stop it, or name another folder")


def _remove_leftovers(folder: Path, file: BinaryIO) -> None:
    """Take away the half-written files of a process that died here, and write our own name into the lock."""
    file.seek(0)
    dead = file.readline().decode("ascii", "replace").partition(" ")[0]
    if dead.isdecimal():
        for left in folder.glob(temporary_name(Path("*"), dead).name + "*"):
            with suppress(OSError):
                left.unlink()
    file.truncate(0)
    file.write(f"{os.getpid()} {time.strftime('%Y-%m-%d %H:%M:%S')}\n".encode())
