"""Stores and restarts of a daemon that plays (S8, S9, F3, F10), by the commands a player types."""

import json
import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from kit.daemon import ZEROBEAT, Daemon, open_notes, write_rig
from kit.jack import JackServer, Player, Recorder, jack_is_installed, wait_until

from zerobeat.app.client import Client
from zerobeat.config.store import Store
from zerobeat.midi import NoteOn, parse

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
SCENE = "title: {title}\nprogram: {program}\nhold: note\nall: {{semitones: {semitones}}}\n"
LIST = (("plain", 1, 0), ("fifth", 2, 7))


def write_case(folder: Path, more: str = "scenes: [plain, fifth]\n") -> Path:
    (folder / "scenes").mkdir()
    for name, program, semitones in LIST:
        text = SCENE.format(title=name, program=program, semitones=semitones)
        (folder / f"scenes/{name}.yaml").write_text(text)
    return write_rig(folder, voices=2, more=more)


def zerobeat(daemon: Daemon, *arguments: str) -> str:
    done = ask(daemon, *arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


def ask(daemon: Daemon, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True, check=False
    )


def status(daemon: Daemon) -> dict:
    return json.loads(zerobeat(daemon, "status", "--json"))


@pytest.fixture
def server():
    with JackServer(period_frames=256, synchronous=False) as running:
        yield running


@pytest.fixture
def stage(server, tmp_path):
    """A daemon that plays two voices, its keyboard and its converter."""
    with (
        Player("keys") as keys,
        Recorder("octo") as octo,
        Daemon(write_case(tmp_path), server.environment) as daemon,
    ):
        ready(daemon, octo)
        yield daemon, keys, octo


def ready(daemon: Daemon, octo: Recorder) -> None:
    daemon.wait_for_line("connected: input keys, output octo")
    octo.wait_for_silence()


def strike(keys: Player, octo: Recorder) -> list[int]:
    """Press and release key 60; return the numbers that were struck."""
    before = len(octo.heard)
    keys.send(bytes((0x90, 60, 100)))
    keys.send(bytes((0x80, 60, 64)))
    wait_until(lambda: sum(c[0] & 0xF0 == 0x80 for _, c in octo.heard[before:]) >= 2)
    octo.wait_for_silence()
    struck = [parse(content) for _, content in octo.heard[before:]]
    return [message.note for message in struck if isinstance(message, NoteOn)]


def stored(daemon: Daemon, name: str) -> bytes:
    return Store(daemon.folder / "state").load("scenes", name).content


def test_a_store_is_on_the_disk_recalled_and_undone(stage, tmp_path):
    daemon, keys, octo = stage
    own = (tmp_path / "scenes/plain.yaml").read_bytes()
    zerobeat(daemon, "set", "v1", "semitones", "3")
    assert strike(keys, octo) == [63, 60]
    assert status(daemon)["unsaved"]
    assert zerobeat(daemon, "store") == "scene plain stored\n"
    assert b"semitones: 3" in stored(daemon, "plain")
    assert not status(daemon)["unsaved"]
    assert (tmp_path / "scenes/plain.yaml").read_bytes() == own  # C5
    for scene in ("fifth", "plain"):
        zerobeat(daemon, "recall", scene)
        struck = strike(keys, octo)
    assert struck == [63, 60]
    said = zerobeat(daemon, "store", "--undo")
    assert said == "scene plain is stored as it was before; what plays goes on\n"
    assert strike(keys, octo) == [63, 60] and status(daemon)["unsaved"]
    assert zerobeat(daemon, "revert") == "scene plain as it is stored; heard as the hold says\n"
    assert strike(keys, octo) == [60, 60] and not status(daemon)["unsaved"]
    zerobeat(daemon, "store", "plain", "--undo")  # undone twice: the newer one again
    zerobeat(daemon, "revert")
    assert strike(keys, octo) == [63, 60]
    assert open_notes(content for _, content in octo.heard) == set()


def test_revert_drops_what_waits_and_what_has_landed(stage):
    daemon, keys, octo = stage
    zerobeat(daemon, "set", "v1", "semitones", "3")
    strike(keys, octo)
    zerobeat(daemon, "set", "v2", "semitones", "-3")
    zerobeat(daemon, "hold", "trigger")
    assert zerobeat(daemon, "revert").startswith("scene plain as it is stored")
    zerobeat(daemon, "trigger")
    assert strike(keys, octo) == [60, 60]
    shown = status(daemon)
    assert (shown["unsaved"], shown["hold"]) == (False, "note")


def test_a_new_name_makes_a_scene_that_comes_back_after_a_restart(stage, tmp_path):
    daemon, keys, octo = stage
    zerobeat(daemon, "set", "all", "semitones", "5")
    assert zerobeat(daemon, "store", "late", "song") == "stored as scene late song\n"
    strike(keys, octo)
    shown = status(daemon)
    assert (shown["scene"], shown["unsaved"]) == ("late song", False)
    assert shown["scenes"] == ["plain", "fifth", "late song"]
    zerobeat(daemon, "recall", "fifth")
    strike(keys, octo)
    assert daemon.stop() == 0
    daemon.start()
    ready(daemon, octo)
    assert status(daemon)["scene"] == "fifth"
    zerobeat(daemon, "recall", "late song")
    assert strike(keys, octo) == [65, 65]
    assert ask(daemon, "store", "late song", "--undo").stderr == (
        f"{daemon.folder}/state/scenes/late song.yaml: no earlier one is kept\n"
    )


def test_a_restart_comes_back_to_what_played_unsaved(stage):
    """The scene, its unsaved settings, the hold and tonight outlive a stop and a crash."""
    daemon, keys, octo = stage
    zerobeat(daemon, "recall", "fifth")
    strike(keys, octo)
    zerobeat(daemon, "set", "v1", "semitones", "9")
    assert strike(keys, octo) == [69, 67]
    zerobeat(daemon, "hold", "trigger")
    zerobeat(daemon, "set", "tonight", "transpose_semitones", "-12")
    zerobeat(daemon, "set", "tonight", "concert_a_hz", "442")
    zerobeat(daemon, "mute", "v2")
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("touch_up", voice="v1", offset_cents=1.5)
    for end in (signal.SIGTERM, signal.SIGKILL):
        if end == signal.SIGKILL:
            zerobeat(daemon, "mute", "v2", "off")
            time.sleep(3.0)  # the session is written at most every 2 s
        daemon.stop(end)
        daemon.start()
        ready(daemon, octo)
        assert "back to scene fifth as it was, unsaved" in daemon.lines()
        shown = status(daemon)
        assert (shown["scene"], shown["unsaved"], shown["hold"]) == ("fifth", True, "trigger")
        assert (shown["concert_a_hz"], shown["transpose_semitones"]) == (442.0, -12)
        v1, v2 = shown["voices"]
        assert v1["touch_up"]["offset_cents"] == 1.5 and v2["mute"] == (end == signal.SIGTERM)
    assert strike(keys, octo) == [57, 55]


def test_the_scene_asked_for_drops_unsaved_settings(stage):
    daemon, keys, octo = stage
    zerobeat(daemon, "set", "v1", "semitones", "9")
    strike(keys, octo)
    assert daemon.stop() == 0
    daemon._command += ["--scene", "plain"]
    daemon.start()
    ready(daemon, octo)
    assert "settings of scene plain were not stored; dropped" in daemon.lines()
    assert strike(keys, octo) == [60, 60]


def test_a_rig_without_scenes_stores_what_plays(server, tmp_path):
    with (
        Player("keys") as keys,
        Recorder("octo") as octo,
        Daemon(write_rig(tmp_path, voices=2), server.environment) as daemon,
    ):
        ready(daemon, octo)
        zerobeat(daemon, "set", "v1", "octaves", "1")
        zerobeat(daemon, "store")
        strike(keys, octo)
        daemon.kill()
        daemon.start()
        ready(daemon, octo)
        assert strike(keys, octo) == [72, 60]
        assert not status(daemon)["unsaved"]


def test_the_scene_written_into_the_rig_is_stored_beside_it(server, tmp_path):
    rig = write_rig(tmp_path, voices=2, more="scene: {title: Opening, all: {semitones: 2}}\n")
    before = rig.read_bytes()
    with (
        Player("keys") as keys,
        Recorder("octo") as octo,
        Daemon(rig, server.environment) as daemon,
    ):
        ready(daemon, octo)
        zerobeat(daemon, "set", "v1", "semitones", "4")
        assert zerobeat(daemon, "store") == "scene Opening stored\n"
        strike(keys, octo)
        assert daemon.stop() == 0
        daemon.start()
        ready(daemon, octo)
        assert strike(keys, octo) == [64, 62]
        assert any("the scene written here is not" in line for line in daemon.lines())
        zerobeat(daemon, "store", "--undo")
        zerobeat(daemon, "revert")
        assert strike(keys, octo) == [62, 62]
    assert rig.read_bytes() == before  # C5


REFUSED = [
    (("store", "a/b"), "scenes: found the name 'a/b'; allowed: "),
    (("store", "fifth", "--undo"), "fifth.yaml: nothing of that name is stored"),
    (("store", "six", "--undo"), "scene: found 'six'; allowed: plain, fifth"),
    (("recall", "six"), "scene: found 'six'; allowed: plain, fifth"),
]


def test_each_refusal_is_one_line_and_changes_nothing(stage):
    daemon, _, octo = stage
    before = status(daemon)
    for arguments, error in REFUSED:
        done = ask(daemon, *arguments)
        assert done.returncode == 1 and error in done.stderr and done.stderr.count("\n") == 1
    zerobeat(daemon, "recall", "fifth")
    done = ask(daemon, "store")
    assert done.stderr == "scene fifth waits; let it land, or cancel it, and store again\n"
    zerobeat(daemon, "cancel")
    assert status(daemon) == before
    assert os.listdir(daemon.folder / "state/scenes") == []
    assert octo.wait_for_silence()[-1][1][0] & 0xF0 == 0xB0
