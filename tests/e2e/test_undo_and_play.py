"""``zerobeat undo`` and ``zerobeat play`` as a player types them, with a daemon on JACK."""

import signal
import subprocess

import pytest

from kit.daemon_commands import ask, status, strike, write_scenes, zerobeat
from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.errors import CommandError

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
BOARD = """\
bindings:
  - {controller: 80, action: transpose, by: 1}
  - {controller: 7, action: set, setting: detune_cents, highest: 50, kind: follow, pick_up: false}
"""


@pytest.fixture
def stage(tmp_path):
    (tmp_path / "pedalboards").mkdir()
    (tmp_path / "pedalboards/four-feet.yaml").write_text(BOARD)
    rig = write_scenes(tmp_path)
    feet = '  feet: {port: "feet:out", pedalboard: four-feet}\n'
    rig.write_text(rig.read_text().replace("converters:\n", feet + "converters:\n", 1))
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles/v1.yaml").write_text("readings:\n  - {note: 60, cents: 10}\n")
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("output octo")
        octo.wait_for_silence()
        yield daemon, keys, feet, octo


def test_undo_takes_back_one_change_after_the_other_whoever_made_it(stage):
    daemon, keys, feet, octo = stage
    zerobeat(daemon, "set", "all", "semitones", "7")  # all voices: one change
    assert strike(keys, octo) == [67, 67]
    zerobeat(daemon, "hold", "none")
    feet.send(b"\xb0\x50\x7f")
    for position in range(10, 60):  # one move of a pedal is one change
        feet.send(bytes((0xB0, 7, position)))
    octo.wait_for_silence()
    zerobeat(daemon, "bypass", "v2")
    zerobeat(daemon, "recall", "fifth")
    assert zerobeat(daemon, "undo") == ("taken back: recall of fifth; heard as the hold says\n")
    strike(keys, octo)
    assert status(daemon)["scene"] == "plain"
    assert zerobeat(daemon, "undo") == "taken back: bypass\n"
    assert zerobeat(daemon, "undo") == "taken back: detune_cents of all\n"
    assert [v["detune_cents"] for v in status(daemon)["voices"]] == [0.0, 0.0]
    assert zerobeat(daemon, "undo") == "taken back: transpose semitones\n"
    assert zerobeat(daemon, "undo") == "taken back: hold\n"
    assert status(daemon)["hold"] == "note"
    said = zerobeat(daemon, "undo")
    assert said == "taken back: semitones of all; heard as the hold says\n"
    assert strike(keys, octo) == [60, 60]
    done = ask(daemon, "undo")
    assert (done.returncode, done.stderr) == (1, "no change of a setting is left to undo\n")
    assert not status(daemon)["unsaved"]


def test_a_change_that_waits_is_taken_back_before_it_is_heard(stage):
    daemon, keys, _, octo = stage
    zerobeat(daemon, "set", "v1", "semitones", "5")
    assert zerobeat(daemon, "undo") == "taken back: semitones of v1\n"
    assert status(daemon)["ends"] == []
    assert strike(keys, octo) == [60, 60]


def sent(octo: MidiRecorder, before: int) -> list[bytes]:
    return [content for _, content in octo.wait_for_silence()[before:]]


def test_a_test_note_is_corrected_or_raw_and_ends_by_time(stage):
    daemon, _, _, octo = stage
    before = len(octo.heard)
    said = zerobeat(daemon, "play", "v1", "C4", "--seconds", "0.3")
    assert said == "v1: C4, corrected: note 60, bend -10.0 cents\n"
    bent, on, off = sent(octo, before)
    assert (bent, on, off) == (b"\xe0\x66\x3c", b"\x90\x3c\x64", b"\x80\x3c\x40")
    before = len(octo.heard)
    said = zerobeat(daemon, "play", "v1", "60", "--raw", "--seconds", "0.3")
    assert said == "v1: C4, raw: note 60, bend +0.0 cents\n"
    assert sent(octo, before) == [b"\xe0\x00\x40", b"\x90\x3c\x64", b"\x80\x3c\x40"]
    assert "note: found 'H4'" in ask(daemon, "play", "v1", "H4").stderr


def test_a_needle_is_shown_to_other_displays_while_its_client_measures(stage):
    daemon, _, _, _ = stage
    path = daemon.folder / "zerobeat/control"
    values = {"voice": "v1", "off_cents": -81.25, "where": "far", "turn": "up"}
    with Client(path, role="measure") as tuning:
        with pytest.raises(CommandError, match="allowed for the client that measures"):
            tuning.ask("needle", **values)
        tuning.ask("play", voice="v1", note=60)
        tuning.ask("needle", **values)
        with Client(path, role="view") as display:
            assert display.status()["needle"] == values
            with pytest.raises(CommandError):
                display.ask("needle", **values)
        assert "v1: far" in zerobeat(daemon, "status", "--large", "--once")
        with pytest.raises(CommandError, match="where: found away; allowed: far, near, there"):
            tuning.ask("needle", **values | {"where": "away"})
    assert wait_until(lambda: status(daemon)["needle"] is None) is None


def test_a_test_note_is_refused_while_keys_are_held_and_ends_with_its_client(stage):
    daemon, keys, _, octo = stage
    keys.send(b"\x90\x3c\x64")
    octo.wait_for_silence()
    done = ask(daemon, "play", "v1", "C3")
    assert done.returncode == 1 and "holds a key" in done.stderr
    keys.send(b"\x80\x3c\x40")
    before = len(octo.wait_for_silence())
    command = [*ZEROBEAT, "play", "v1", "C3", "--seconds", "30"]
    with subprocess.Popen(command, env=daemon.environment, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        octo.wait_for_silence()
        process.send_signal(signal.SIGKILL)
        process.wait()
        octo.wait_for(before + 2)
        assert sent(octo, before)[-1] == b"\x80\x30\x40"
