"""The draft on disk: every release survives, whatever dies, and steps back reach across a restart."""

import os
import signal
import subprocess
import sys

import pytest

from stiffen.page.draft import DRAFT_FILE_NAME, read_draft

STATES = [{"gauge": gauge, "beads": [], "holes": []} for gauge in (0.8, 1.0, 1.2, 1.5)]


def filled(folder, count=3):
    draft = read_draft(folder)
    for state in STATES[:count]:
        draft.add(state, "text")
    return draft


def gauges(draft):
    return [state["gauge"] for state in draft.states]


def test_states_and_steps_are_there_after_a_restart(tmp_path):
    draft = filled(tmp_path)
    assert draft.step(-1) and draft.step(-1) and not draft.step(-1)
    again = read_draft(tmp_path)
    assert (gauges(again), again.at, again.current_text) == ([0.8, 1.0, 1.2], 0, "text")
    assert again.step(1) and again.current["gauge"] == 1.0


def test_a_new_state_drops_what_was_undone(tmp_path):
    draft = filled(tmp_path)
    draft.step(-1)
    draft.add(STATES[3], "other text")
    again = read_draft(tmp_path)
    assert (gauges(again), again.at, again.current_text) == ([0.8, 1.0, 1.5], 2, "other text")
    assert not again.step(1)


@pytest.mark.parametrize("cut", [1, 5, 20])
def test_a_line_that_was_cut_off_costs_that_line_alone(tmp_path, cut):
    filled(tmp_path)
    file = tmp_path / DRAFT_FILE_NAME
    file.write_bytes(file.read_bytes()[:-cut])
    draft = read_draft(tmp_path)
    assert gauges(draft) == [0.8, 1.0]
    draft.add(STATES[3], "text")
    assert gauges(read_draft(tmp_path)) == [0.8, 1.0, 1.5]


def test_every_cut_leaves_a_draft(tmp_path):
    filled(tmp_path)
    file = tmp_path / DRAFT_FILE_NAME
    whole = file.read_bytes()
    for length in range(len(whole)):
        file.write_bytes(whole[:length])
        assert gauges(read_draft(tmp_path)) == [0.8, 1.0, 1.2][: len(read_draft(tmp_path).states)]


def test_a_file_that_is_no_draft_is_put_aside(tmp_path):
    file = tmp_path / DRAFT_FILE_NAME
    file.write_text('{"state": {"gauge": 1.0, "text": 7}}\n')
    assert read_draft(tmp_path).states == []
    assert file.with_suffix(".damaged").exists() and not file.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX systems")
def test_what_was_added_before_a_kill_is_there(tmp_path):
    code = """if True:
        import sys
        from pathlib import Path
        from stiffen.page.draft import read_draft
        draft = read_draft(Path(sys.argv[1]))
        for k in range(10**6):
            draft.add({"gauge": 1.0, "beads": [k], "holes": []}, "text")
            print(k, flush=True)
    """
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        for _ in range(20):
            process.stdout.readline()
        os.kill(process.pid, signal.SIGKILL)
        told = [int(line) for line in process.stdout.read().split()]
    last = max([19, *told])
    draft = read_draft(tmp_path)
    assert [state["beads"][0] for state in draft.states[: last + 1]] == list(range(last + 1))
    assert draft.at >= last
