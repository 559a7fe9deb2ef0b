"""Bypass as a player meets it: raw is raw, and the status says what still moves the pitch."""

import pytest

from kit.daemon_commands import kill_and_start, status, zerobeat
from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed
from zerobeat.client.daemon_client import Client

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
RIG = """\
inputs:
  keys: {port: "keys:out"}
  feet: {port: "feet:out", pedalboard: four-feet}
converters:
  octo:
    port: "octo:in"
    converter: {zero_volt_note: C2}
voices:
  reed: {converter: octo, channel_number: 1}
  horn: {converter: octo, channel_number: 2, profile: none, panel_octaves: -1}
"""
PROFILE = "errors_follow: number\nreadings:\n  - {note: 60, cents: 6.1}\n"
BOARD = """\
bindings:
  - {controller: 80, action: bypass, voice: reed, kind: toggle, keep_touch_up: true}
  - {controller: 81, action: bypass, voice: reed, kind: momentary}
"""


def bend(keys: MidiSender, octo: MidiRecorder) -> float:
    """Play a note; return the cents of the bend that reed's channel has."""
    keys.send(b"\x90\x3c\x64")
    keys.send(b"\x80\x3c\x40")
    bends = [content for _, content in octo.wait_for_silence() if content[0] == 0xE0]
    steps = bends[-1][1] + 128 * bends[-1][2] - 8192
    return round(200.0 * steps / 8192, 1)


def test_raw_is_without_any_correction_and_the_touch_up_stays_only_if_asked_for(tmp_path):
    (tmp_path / "pedalboards").mkdir()
    (tmp_path / "pedalboards/four-feet.yaml").write_text(BOARD)
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles/reed.yaml").write_text(PROFILE)
    (tmp_path / "rig.yaml").write_text(RIG)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(tmp_path / "rig.yaml", server.environment) as daemon,
    ):
        daemon.wait_for_line("output octo")
        octo.wait_for_silence()
        with Client(daemon.folder / "zerobeat/control") as client:
            client.ask("touch_up", voice="reed", offset_cents=2.0)
        assert bend(keys, octo) == -8.1
        said = zerobeat(daemon, "bypass")
        assert said == "all: played raw; panel octaves -1 (horn) still acting\n"
        assert bend(keys, octo) == 0.0
        text = zerobeat(daemon, "status", "--once")
        assert "raw + panel octaves -1" in text
        assert zerobeat(daemon, "bypass", "reed", "--keep-touch-up") == (
            "reed: played raw, with its touch-up\n"
        )
        assert bend(keys, octo) == -2.0
        assert "raw + touch-up" in zerobeat(daemon, "status", "--once")
        kill_and_start(daemon, server)
        daemon.wait_for_line("output octo")
        octo.wait_for_silence()
        assert bend(keys, octo) == -2.0, "it lasts through a restart"
        feet.send(b"\xb0\x51\x7f")  # momentary, all raw
        octo.wait_for_silence()
        assert bend(keys, octo) == 0.0
        feet.send(b"\xb0\x51\x00")
        octo.wait_for_silence()
        assert bend(keys, octo) == -2.0
        feet.send(b"\xb0\x50\x7f")  # the toggle is on: off
        octo.wait_for_silence()
        assert bend(keys, octo) == -8.1
        assert not status(daemon)["voices"][0]["bypass"]
        feet.send(b"\xb0\x50\x00")
        feet.send(b"\xb0\x50\x7f")
        octo.wait_for_silence()
        assert bend(keys, octo) == -2.0
        zerobeat(daemon, "bypass", "off")
        assert bend(keys, octo) == -8.1
