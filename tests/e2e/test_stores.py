"""Stores and restarts of a daemon that plays (S8, S9, F3, F10), by the commands a player types."""

import os
import time

import pytest

from kit.daemon_commands import ask, ready, status, strike, write_scenes, zerobeat
from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed
from zerobeat.client.daemon_client import Client
from zerobeat.errors import CommandError, ControlError
from zerobeat.runtime.startup_state import LOOK_S
from zerobeat.state.session import WRITE_EVERY_S
from zerobeat.state.store import Store

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


@pytest.fixture
def stage(server, tmp_path):
    """A daemon that plays two voices, its keyboard and its converter."""
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_scenes(tmp_path), server.environment) as daemon,
    ):
        ready(daemon, octo)
        yield daemon, keys, octo


def stored(daemon: DaemonProcess, name: str) -> bytes:
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


def leave_unsaved(daemon):
    """Change all that a restart comes back to, without a store."""
    zerobeat(daemon, "hold", "none")
    zerobeat(daemon, "recall", "fifth")
    zerobeat(daemon, "set", "v1", "semitones", "9")
    zerobeat(daemon, "hold", "trigger")
    zerobeat(daemon, "set", "tonight", "transpose_semitones", "-12")
    zerobeat(daemon, "set", "tonight", "concert_a_hz", "442")
    zerobeat(daemon, "bypass", "v2")
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("touch_up", voice="v1", offset_cents=1.5)


def is_back(daemon):
    assert "back to scene fifth as it was, unsaved" in daemon.lines()
    shown = status(daemon)
    assert (shown["scene"], shown["unsaved"], shown["hold"]) == ("fifth", True, "trigger")
    assert (shown["concert_a_hz"], shown["transpose_semitones"]) == (442.0, -12)
    v1, v2 = shown["voices"]
    assert v1["touch_up"]["offset_cents"] == 1.5 and v2["bypass"]


def test_a_stop_comes_back_to_what_played_unsaved(stage):
    """The scene, its unsaved settings, the hold and tonight; the last change too."""
    daemon, keys, octo = stage
    leave_unsaved(daemon)
    assert daemon.stop() == 0
    daemon.start()
    ready(daemon, octo)
    is_back(daemon)
    assert strike(keys, octo) == [57, 55]


def test_a_crash_comes_back_to_what_played_two_seconds_before(tmp_path):
    with (
        JackServer(period_frames=256, synchronous=False) as server,
        DaemonProcess(write_scenes(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("zerobeat plays")
        leave_unsaved(daemon)
        time.sleep(WRITE_EVERY_S + LOOK_S + 0.5)
        daemon.kill()
        daemon.start()
        daemon.wait_for_line("zerobeat plays")
        is_back(daemon)


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
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_rig(tmp_path, voices=2), server.environment) as daemon,
    ):
        ready(daemon, octo)
        zerobeat(daemon, "set", "v1", "octaves", "1")
        zerobeat(daemon, "store")
        strike(keys, octo)
        assert daemon.stop() == 0
        daemon.start()
        ready(daemon, octo)
        assert strike(keys, octo) == [72, 60]
        assert not status(daemon)["unsaved"]


def test_the_scene_written_into_the_rig_is_stored_beside_it(server, tmp_path):
    rig = write_rig(tmp_path, voices=2, more="scene: {title: Opening, all: {semitones: 2}}\n")
    before = rig.read_bytes()
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
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


STRANGE = [
    ("store", {"scene": {}}),
    ("store", {"scene": ""}),
    ("store", {"scene": "x" * 300}),
    ("store", {"scene": "\ud800"}),
    ("store", {"scene": "../x"}),
    ("store", {"scene": ".x"}),
    ("store", {"scene": "a\nb"}),
    ("store", {"undo": "yes"}),
    ("store", {"undo": 1}),
    ("store", {"to": "x"}),
    ("revert", {"scene": "plain"}),
    ("put_profile", {"voice": ["v1"]}),
    ("put_profile", {"voice": "v1", "profile": [1]}),
    ("put_profile", {"voice": "v1", "profile": {"readings": [[[[[1]]]]]}}),
    ("put_profile", {"voice": "v1", "profile": {"readings": [{"note": 60, "cents": 1e999}]}}),
    ("put_profile", {"voice": "v1", "profile": {"readings": [{"note": 60, "cents": 10**400}]}}),
    ("put_profile", {"voice": "v1", "profile": {"voice": "\ud800", "readings": [{"note": 60}]}}),
    ("put_profile", {"voice": "v1", "profile": {"\ud800": 1}}),
    ("undo_profile", {"voice": "v1"}),
    ("undo_profile", {"voice": "v1", "profile": {}}),
]


def test_no_value_on_the_socket_is_more_than_a_refusal(stage):
    """Bad input: one clear line, nothing changes, what sounds goes on."""
    daemon, keys, octo = stage
    with Client(daemon.folder / "zerobeat/control") as client:
        for command, values in STRANGE:
            with pytest.raises((CommandError, ControlError)) as refusal:
                answer = client.ask(command, **values)
                pytest.fail(f"{command} {values}: {answer}")
            assert "\n" not in str(refusal.value) and "fault in" not in str(refusal.value), values
            if refusal.type is ControlError:  # 1e999 is no number: the connection was closed
                client.__init__(daemon.folder / "zerobeat/control")
    assert strike(keys, octo) == [60, 60]
    assert os.listdir(daemon.folder / "state/scenes") == []
    assert os.listdir(daemon.folder / "state/profiles") == []
    assert not any("Traceback" in line for line in daemon.lines())
