"""`stiffen search --cluster`: the same layouts for one panel, several panels and a sweep; what is told if it fails."""

import json
import shutil
import sys
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from stiffen.cli.entry import main
from stiffen.cli.processes import layout_workers
from stiffen.errors import WorkerError

PANEL = Path(__file__).parents[1] / "kept" / "searches" / "lid.toml"
QUICK = ["--effort", "quick", "--mesh", "quick", "--quiet"]


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    options = {"threads_per_worker": 1, "processes": True, "dashboard_address": ":0", "memory_limit": None}
    with distributed.LocalCluster(n_workers=2, **options) as cluster:
        yield cluster.scheduler_address


@pytest.fixture
def panels(tmp_path):
    """Two panel files."""
    paths = [tmp_path / "one.toml", tmp_path / "two.toml"]
    shutil.copy(PANEL, paths[0])
    paths[1].write_text(PANEL.read_text().replace("limit = 110", "limit = 60"))
    return [str(path) for path in paths]


def found(folder):
    """Layout and verdict in a folder, without how long it took."""
    data = json.loads((folder / "layout.json").read_text())
    data.pop("seconds", None)
    for part in (data["result"], data["result"].get("search") or {}):
        part.pop("seconds", None)
    return data


@pytest.mark.slow
def test_a_cluster_gives_the_same_layouts_as_this_process(cluster, panels, tmp_path):
    here, there, batch = tmp_path / "here", tmp_path / "there", tmp_path / "batch"
    sweeps = tmp_path / "sweep here", tmp_path / "sweep there"
    assert main(["search", panels[0], "--workers", "1", "--out", str(here), *QUICK]) == 0
    assert main(["search", panels[0], "--cluster", cluster, "--out", str(there), *QUICK]) == 0
    assert found(there) == found(here)
    assert main(["search", *panels, "--jobs", "2", "--cluster", cluster, "--out", str(batch), *QUICK]) == 0
    assert found(batch / "one") == found(here)
    for folder, workers in zip(sweeps, (["--workers", "1"], ["--cluster", cluster]), strict=True):
        main(["search", panels[1], "--sweep", "gauge=1.0,2.0", *workers, "--out", str(folder), *QUICK])
    for row in ("gauge_1", "gauge_2"):
        assert found(sweeps[1] / row) == found(sweeps[0] / row)
    assert (sweeps[0] / "sweep.csv").read_text() == (sweeps[1] / "sweep.csv").read_text()


@pytest.mark.slow
def test_a_cluster_without_workers_is_refused(tmp_path, capsys):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=0, dashboard_address=":0", processes=True) as empty:
        address = empty.scheduler_address
        words = ["search", str(PANEL), "--cluster", address, "--out", str(tmp_path / "out"), *QUICK]
        assert main(words) == 2
    told = f"--cluster: {address} has no workers (start some with: dask worker {address})"
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--cluster", "bench"], "--cluster: no connection to bench: missing port number in address 'bench' (see that"),
        (["--cluster", "tcp://bench:8786", "--workers", "2"], "--workers: does not go with --cluster"),
    ],
    ids=["address", "workers"],
)
def test_what_a_cluster_cannot_be(words, told, tmp_path, capsys):
    pytest.importorskip("distributed")
    assert main(["search", str(PANEL), *words, "--out", str(tmp_path / "out"), *QUICK]) == 2
    assert told in capsys.readouterr().err


def test_a_missing_package_is_named(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = ["search", str(PANEL), "--cluster", "tcp://bench:8786", "--out", str(tmp_path / "out"), *QUICK]
    assert main(words) == 2
    assert "distributed is not installed (pip install 'stiffen[cluster]')" in capsys.readouterr().err


def test_a_process_that_dies_is_told_with_what_may_help(tmp_path, capsys, monkeypatch):
    with pytest.raises(WorkerError, match="has died; the best layout so far is kept"), layout_workers(2):
        raise BrokenProcessPool("a process ended")

    def search(*words, **options):
        raise WorkerError("a process has died")

    monkeypatch.setattr("stiffen.optimise.search.driver.search", search)
    assert main(["search", str(PANEL), "--workers", "1", "--out", str(tmp_path / "out"), *QUICK]) == 3
    assert "what may help: the same search again, with --from DIR/layout.json" in capsys.readouterr().err
