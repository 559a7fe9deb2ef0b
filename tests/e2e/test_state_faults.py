"""A disk that refuses, forgets or holds nonsense: playing goes on, and it is said (S8, S9)."""

import os
import random
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit.daemon_commands import ask, ready, status, strike, write_scenes, zerobeat
from kit.daemon_process import DaemonProcess, open_notes
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from kit.small_disk import remount, small_disk
from zerobeat.client.daemon_client import Client
from zerobeat.config.scene_file import load_scene
from zerobeat.errors import ZerobeatError
from zerobeat.state.state_lock import StateLock
from zerobeat.state.store import Store

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


@pytest.fixture
def disk() -> Iterator[Path]:
    with small_disk(kilobytes=512) as folder:
        yield folder


def fill(disk: Path) -> None:
    with (disk / "full").open("wb", buffering=0) as filler:
        try:
            while True:
                filler.write(bytes(4096))
        except OSError:
            pass


READ_ONLY = "not stored: read-only file system; make the state directory writable, or set"
FULL = "not stored: no space left on device; free some space and store again"
FAILING = [
    pytest.param(
        lambda disk: remount(disk, "ro"),
        lambda disk: remount(disk, "rw"),
        READ_ONLY,
        id="read-only",
    ),
    pytest.param(fill, lambda disk: (disk / "full").unlink(), FULL, id="full"),
]


@pytest.mark.parametrize(("spoil", "mend", "error"), FAILING)
def test_a_disk_that_fails_while_playing_costs_no_note(server, disk, tmp_path, spoil, mend, error):
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_scenes(tmp_path), server.environment, state=disk / "state") as daemon,
    ):
        ready(daemon, octo)
        well = {"directory": str(disk / "state"), "fault": "", "passed_over": [], "slow": ""}
        assert status(daemon)["store"] == well
        zerobeat(daemon, "set", "v1", "semitones", "1")
        zerobeat(daemon, "store")
        assert strike(keys, octo) == [61, 60]
        spoil(disk)
        zerobeat(daemon, "set", "v1", "semitones", "2")
        done = ask(daemon, "store")
        assert done.returncode == 1 and error in done.stderr and done.stderr.count("\n") == 1
        assert strike(keys, octo) == [62, 60]
        shown = status(daemon)
        assert shown["unsaved"] and error in shown["store"]["fault"]
        assert f"disk {error[:60]}" in " ".join(zerobeat(daemon, "status", "--once").split())
        daemon.wait_for_line(error[:30])
        daemon.stop()
        daemon.start()  # starts, and plays what was stored
        ready(daemon, octo)
        daemon.wait_for_line(error[:30])
        assert strike(keys, octo) == [61, 60]
        mend(disk)
        zerobeat(daemon, "set", "v1", "semitones", "3")
        zerobeat(daemon, "store")
        daemon.wait_for_line("stored again")
        assert status(daemon)["store"]["fault"] == ""
        assert daemon.stop() == 0
        assert open_notes(content for _, content in octo.wait_for_silence()[-4:]) == set()


def test_a_disk_that_fails_is_told_once_and_not_every_two_seconds(server, disk, tmp_path):
    """S10: the journal stays quiet."""
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_scenes(tmp_path), server.environment, state=disk / "state") as daemon,
    ):
        ready(daemon, octo)
        remount(disk, "ro")
        zerobeat(daemon, "set", "v1", "semitones", "1")
        daemon.wait_for_line("not stored")
        time.sleep(5.0)
        assert sum("not stored" in line for line in daemon.lines()) == 1
        assert strike(keys, octo) == [61, 60]
        remount(disk, "rw")


def test_a_state_directory_that_cannot_be_made(server, tmp_path):
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(
            write_scenes(tmp_path), server.environment, state=Path("/proc/no/state")
        ) as daemon,
    ):
        ready(daemon, octo)
        assert daemon.wait_for_line(": not stored: ").startswith("/proc/no/state/")
        assert strike(keys, octo) == [60, 60]
        assert "not stored" in ask(daemon, "store").stderr
        assert "not stored" in status(daemon)["store"]["fault"]
        assert daemon.stop() == 0


def test_somebody_elses_state_directory(server, tmp_path):
    if os.getuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("needs root and setpriv")
    state = tmp_path / "state"
    state.mkdir()
    os.chown(state, 65534, 65534)
    plain = ("setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override")
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(
            write_scenes(tmp_path), server.environment, before=plain, state=state
        ) as daemon,
    ):
        ready(daemon, octo)
        daemon.wait_for_line(f"not stored: {state} belongs to nobody; run zerobeat as nobody")
        assert strike(keys, octo) == [60, 60]
        assert "belongs to nobody" in ask(daemon, "store").stderr
        assert daemon.stop() == 0


def test_a_state_directory_in_use_is_left_alone(loose_server, tmp_path):
    """A restore at work, or a daemon with another runtime directory."""
    rig, state = write_scenes(tmp_path), tmp_path / "state"
    lock = StateLock(state)
    assert not lock.why
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, loose_server.environment, state=state) as daemon,
    ):
        why = f"{state}: another zerobeat keeps its settings there; stop it first"
        ready(daemon, octo)
        daemon.wait_for_line(why)
        zerobeat(daemon, "bypass", "v2")
        assert ask(daemon, "store").stderr == f"{why}\n"
        assert status(daemon)["store"]["fault"] == why
        assert strike(keys, octo)
        assert daemon.stop() == 0
        assert os.listdir(state) == []
        lock.close()
        daemon.start()
        ready(daemon, octo)
        assert zerobeat(daemon, "store") == "scene plain stored\n"
        second = StateLock(state)
        assert second.why == why
        daemon.kill()
        third = StateLock(state)  # a kill lets go of it
        assert not third.why
        third.close()


NONSENSE = [
    ("hold: sometimes\n", "hold: found sometimes; allowed:"),
    ("all: [\n", "its text cannot be read"),
    ("\x00\x00", "its text cannot be read"),
    ("title: plain\nvoices: {v1: {semitone: 3}}\n", "semitone: found unknown key; allowed:"),
]


def test_a_scene_edited_into_nonsense_gives_way_to_the_one_before(server, tmp_path):
    rig = write_scenes(tmp_path)
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment, ("--scene", "plain")) as daemon,
    ):
        ready(daemon, octo)
        for semitones in ("1", "2"):
            zerobeat(daemon, "set", "v1", "semitones", semitones)
            zerobeat(daemon, "store")
        path = daemon.folder / "state/scenes/plain.yaml"
        whole = path.read_bytes()
        for text, why in NONSENSE:
            daemon.stop()
            path.write_text(text)
            daemon.start()
            ready(daemon, octo)
            said = daemon.wait_for_line(why)
            assert said.endswith("plain.1.yaml is used"), said
            (told,) = status(daemon)["store"]["passed_over"]
            assert told.startswith("scenes/plain.yaml") and why in told
            assert f"disk {told[:40]}" in " ".join(zerobeat(daemon, "status", "--once").split())
            assert strike(keys, octo) == [61, 60]
        daemon.stop()
        for generation in (path, *path.parent.glob("plain.*.yaml")):
            generation.write_text("hold: sometimes\n")
        daemon.start()  # then the player's own is next best
        ready(daemon, octo)
        assert daemon.wait_for_line("found sometimes").endswith(
            f"{tmp_path}/scenes/plain.yaml is used"
        )
        assert strike(keys, octo) == [60, 60]
        zerobeat(daemon, "store")  # what was edited is kept beside it
        assert daemon.stop() == 0
        path.write_bytes(whole)


def store_on(path: Path, done: list[int], asked: list[int]) -> None:
    """Store one value after another until the daemon goes; note what was asked and answered."""
    try:
        with Client(path) as client:
            while True:
                number = (asked[-1] + 1) if asked else 0
                client.ask("set", voice="v1", changes={"detune_cents": number / 4.0})
                asked.append(number)
                client.ask("store")
                done.append(number)
    except (ZerobeatError, OSError):
        return


def killed_while_storing(server: JackServer, tmp_path: Path, rounds: int, seed: int) -> None:
    rng = random.Random(seed)
    rig, state = write_scenes(tmp_path), tmp_path / "state"
    asked: list[int] = []
    done: list[int] = []
    with DaemonProcess(rig, server.environment, state=state) as daemon:
        for _ in range(rounds):
            daemon.wait_for_line("zerobeat plays")
            before = len(done)
            thread = threading.Thread(
                target=store_on, args=(daemon.folder / "zerobeat/control", done, asked)
            )
            thread.start()
            try:
                wait_until(lambda: len(done) > before, what="a store")
                time.sleep(rng.uniform(0.0, 0.1))
                os.kill(daemon.pid, signal.SIGKILL)
            finally:
                thread.join()
            daemon.wait()
            newest = Store(state).load("scenes", "plain")
            assert newest.warnings == ()
            found = load_scene(newest.path).of("v1").detune_cents * 4.0
            assert done[-1] <= found <= asked[-1], f"answered {done[-1]}, found {found}"
            daemon.start()
        daemon.wait_for_line("zerobeat plays")
        assert not any("checksum" in line for line in daemon.lines())


def test_a_daemon_killed_while_it_stores_loses_nothing_answered(loose_server, tmp_path):
    killed_while_storing(loose_server, tmp_path, rounds=5, seed=1)


@pytest.mark.slow
def test_a_hundred_kills_while_it_stores_lose_nothing_answered(loose_server, tmp_path):
    killed_while_storing(loose_server, tmp_path, rounds=100, seed=2)
