"""Files are whole on the disk before they take the place of what was there."""

import os

import pytest

from stiffen.errors import InputError
from stiffen.io import files
from stiffen.io.files import atomic_write


@pytest.fixture
def calls(monkeypatch):
    """What was flushed to disk and what was renamed, in order."""
    order = []
    flush, rename = os.fsync, os.replace

    def fsync(handle):
        order.append(("flush", os.readlink(f"/proc/self/fd/{handle}")))
        flush(handle)

    def replace(source, target):
        order.append(("rename", str(target)))
        rename(source, target)

    monkeypatch.setattr(files.os, "fsync", fsync)
    monkeypatch.setattr(files.os, "replace", replace)
    return order


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="asks the system for the names of open files")
def test_content_is_on_the_disk_before_the_name_and_the_name_after(tmp_path, calls):
    path = tmp_path / "layout.json"
    with atomic_write(path) as fresh:
        fresh.write_text("new")
    assert calls == [("flush", str(fresh)), ("rename", str(path)), ("flush", str(tmp_path))]
    assert path.read_text() == "new"


def test_a_disk_that_cannot_take_the_content_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "layout.json"
    path.write_text("old")

    def fail(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", fail)
    with pytest.raises(InputError, match="cannot be written: no space left on device"), atomic_write(path) as fresh:
        fresh.write_text("new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]
