"""MPE fingers and glides through the real program over JACK."""

from __future__ import annotations

import pytest

from kit.daemon_commands import ask, ready, status, zerobeat
from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
RANGE_CENTS = 1200.0
RIG = """\
inputs:
  keys:
    port: "keys:out"
    mpe: from_the_keyboard
    pressure_to: channel_pressure
    slide_to: 20
converters:
  octo:
    port: "octo:in"
    converter: {bend_range_semitones: 12, gate_gap_ms: 1}
voices:
  v1: {converter: octo, channel_number: 1, profile: none}
  v2: {converter: octo, channel_number: 2, profile: none}
scene:
  hold: none
  zones: [{voices: [v1, v2], assign: rotate}]
"""


def test_fingers_and_glides(tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):

        def heard(*contents: str) -> list[bytes]:
            before = len(octo.wait_for_silence())
            for content in contents:
                keys.send(bytes.fromhex(content))
            return [content for _, content in octo.wait_for_silence()[before:]]

        ready(daemon, octo)
        # The lower zone, 15 members; two fingers with a bend and a pressure each.
        heard("b0 65 00", "b0 64 06", "b0 06 0f")
        struck = heard("e1 00 44", "91 3c 64", "92 40 64", "d2 50", "b1 4a 10")
        eighth = 8192 * 4800.0 * (512 / 8191) / RANGE_CENTS  # of 48 semitones, as steps of 12
        assert bytes.fromhex("90 3c 64") in struck and bytes.fromhex("91 40 64") in struck
        assert bytes.fromhex("d1 50") in struck and bytes.fromhex("b0 14 10") in struck
        bends = [c for c in struck if c[0] == 0xE0]
        assert abs((bends[-1][2] << 7 | bends[-1][1]) - 8192 - eighth) <= 1
        # The zone's wheel is on top of both, and sustain is the manager's alone.
        moved = heard("e0 7f 7f")
        assert sorted(c[0] for c in moved) == [0xE0, 0xE1]
        assert heard("b1 40 7f") == []
        assert heard("81 3c 40", "82 40 40")[-1][0] in (0x80, 0x81)
        # A zone that changes stops its notes.
        heard("91 3c 64")
        assert bytes((0x80, 0x3C, 0x40)) in heard("b0 65 00", "b0 64 06", "b0 06 00")

        # Glides, by a command; the voices take turns, so the third key has the first one's voice.
        assert zerobeat(daemon, "set", "all", "glide_ms", "300") == "all: glide_ms is in force\n"
        zerobeat(daemon, "set", "all", "glide", "by_time")
        for key in ("30", "32"):
            heard(f"90 {key} 64")  # until it has arrived
            heard(f"80 {key} 40")
        before = len(octo.heard)
        keys.send(bytes.fromhex("90 3c 64"))
        came = octo.wait_for_silence()[before:]
        begun_s, struck = next((t, c) for t, c in came if c[0] & 0xF0 == 0x90)
        path = [(t, c) for t, c in came if c[0] == struck[0] + 0x50]
        assert len(path) > 100  # of 300 steps, on a busy machine
        assert path[-1][0] - begun_s == pytest.approx(0.3, abs=0.05)
        values = [(c[2] << 7 | c[1]) - 8192 for _, c in path]
        assert values == sorted(values) and values[-1] == 0
        assert [v["glide_to_cents"] for v in status(daemon)["voices"]] == [None, None]
        refused = ask(daemon, "set", "v1", "glide_ms", "3600000").stderr
        assert "glide_ms: found 3600000; allowed: a number, 0 to 60000" in refused
        heard("80 3c 40")
        assert daemon.stop() == 0
