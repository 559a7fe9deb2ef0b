"""Stores beside a note: handed over at once, told once they are on the disk."""

from __future__ import annotations

import select
from pathlib import Path

import pytest

from kit.syscall_faults import run
from zerobeat.errors import StoreError
from zerobeat.state.store import Store
from zerobeat.state.store_writer import Done, StoreWriter


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "state")


def take_all(writer: StoreWriter) -> list[Done]:
    """Take until nothing waits, as the main loop does."""
    taken: list[Done] = []
    while writer.waiting:
        ready, _, _ = select.select([writer.fileno()], [], [], 20.0)
        assert ready, "no word of a job"
        taken += writer.take()
    return taken


def test_each_job_is_told_once_in_order(store):
    writer = StoreWriter(store)
    assert writer.take() == []
    tickets = [writer.save("scenes", f"s{number}", "program: 1\n") for number in range(5)]
    tickets.append(writer.save("scenes", "s0", "program: 2\n"))
    tickets.append(writer.undo("scenes", "s0"))
    tickets.append(writer.save_session(b"{}\n"))
    done = take_all(writer)
    assert [job.ticket for job in done] == tickets
    assert all(job.error == "" and job.path is not None for job in done)
    assert done[0] == Done(
        tickets[0], "scenes/s0", store.path("scenes", "s0"), seconds=done[0].seconds
    )
    assert done[-1].what == "session.json"
    assert store.load("scenes", "s0").content == b"program: 1\n"
    assert select.select([writer.fileno()], [], [], 0)[0] == []
    assert writer.stop() == []


def test_a_job_that_fails_is_told_and_the_next_one_is_done(store):
    writer = StoreWriter(store)
    writer.undo("scenes", "calm")
    writer.save("scenes", "calm.1", "program: 1\n")
    writer.save("scenes", "calm", "program: 1\n")
    one, two, three = take_all(writer)
    assert one.error.endswith("calm.yaml: nothing of that name is stored") and one.path is None
    assert two.error.startswith("scenes: found the name 'calm.1'; allowed: ")
    assert three.error == ""
    writer.stop()


def test_stop_stores_what_was_asked_for(store):
    writer = StoreWriter(store)
    tickets = [writer.save("scenes", f"s{n}", f"program: {n}\n") for n in range(1, 40)]
    assert [done.ticket for done in writer.stop()] == tickets
    assert writer.stop() == []
    assert len(store.names("scenes")) == 39


def test_temporary_files_are_cleaned_before_the_first_job(store):
    path = store.save("scenes", "calm", "program: 1\n")
    left = path.with_name(".glass.yaml.tmp")
    left.write_bytes(b"#")
    StoreWriter(store).stop()
    assert not left.exists()


ASKING = """
from zerobeat.state.store_writer import StoreWriter
writer = StoreWriter(store)
writer.save("scenes", "calm", "program: 1\\n")
os.write(1, b"asked ")
done = writer.stop()
os.write(1, b"stored" if done[0].error == "" else b"failed")
"""


def test_whoever_asks_goes_on_while_the_disk_is_slow(tmp_path):
    """Each fsync takes 0.3 s here; the asking thread has gone on before the first has ended."""
    log = tmp_path / "calls"
    inject = ("-e", "trace=fsync,write", "-e", "inject=fsync:delay_exit=300000", "-o", str(log))
    done = run(ASKING, tmp_path / "state", *inject)
    assert done.stdout == "asked stored", done.stderr
    lines = log.read_text().splitlines()
    asked = next(i for i, line in enumerate(lines) if '"asked "' in line)
    ended = [i for i, line in enumerate(lines) if "fsync" in line and "= 0" in line]
    assert ended and asked < ended[0]


STUCK = """
from zerobeat.state.store_writer import StoreWriter
writer = StoreWriter(store)
writer.save("scenes", "calm", "program: 1\\n")
for done in writer.stop(longest_s=0.1):
    print(done.error)
"""


def test_a_disk_that_never_answers_does_not_keep_the_daemon_from_ending(tmp_path):
    inject = ("-e", "trace=fsync", "-e", "inject=fsync:delay_enter=1000000", "-o", "/dev/null")
    done = run(STUCK, tmp_path / "state", *inject)
    assert done.stdout == f"{tmp_path}/state: 1 not stored: the disk does not answer\n"
    with pytest.raises(StoreError):
        Store(Path(tmp_path / "state")).load("scenes", "calm")
