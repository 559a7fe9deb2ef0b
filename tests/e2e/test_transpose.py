"""Tonight's transposition by cents and by steps of the scale, as a player types it."""

import json

import pytest

from kit.daemon_commands import ask, ready, status, zerobeat
from kit.daemon_process import DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
SCENE = """\
scene:
  voices:
    v1: {scale: major, root: C4}
"""


def test_cents_and_steps_are_heard_from_the_next_note_and_last(tmp_path):
    rig = write_rig(tmp_path, voices=2, more=SCENE)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):

        def pitches() -> list[float]:
            keys.send(b"\x90\x3c\x64")
            octo.wait_for_silence()
            shown = [voice["sounding_cents"] for voice in status(daemon)["voices"]]
            keys.send(b"\x80\x3c\x40")
            octo.wait_for_silence()
            return shown

        ready(daemon, octo)
        keys.send(b"\x90\x3c\x64")
        octo.wait_for_silence()
        said = zerobeat(daemon, "set", "tonight", "transpose_cents", "-14.5")
        assert said == "A4 440 Hz, transposed by +0 -14.5 cents\n"
        assert [v["sounding_cents"] for v in status(daemon)["voices"]] == [6000.0, 6000.0]
        keys.send(b"\x80\x3c\x40")
        assert pitches() == [5985.5, 5985.5]
        said = zerobeat(daemon, "set", "tonight", "transpose_degrees", "2")
        assert said == "A4 440 Hz, transposed by +0 -14.5 cents +2 steps\n"
        assert pitches() == [6385.5, 5985.5]  # C to E; the other voice has no scale
        assert "transposed -14.5 ct, +2 steps" in zerobeat(daemon, "status", "--once")
        refused = ask(daemon, "set", "tonight", "transpose_cents", "2000").stderr
        assert "transpose_cents: found 2000; allowed: a number, -1200 to 1200" in refused
        assert daemon.stop() == 0
        session = json.loads((daemon.folder / "state/session.json").read_text())["content"]
        assert session["tonight"]["transpose_cents"] == -14.5
        daemon.start()
        ready(daemon, octo)
        assert pitches() == [6385.5, 5985.5]
