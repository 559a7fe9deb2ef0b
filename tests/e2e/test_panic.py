"""Panic as it leaves on the wire (N4, B8): single note-offs, then channel messages, then bends."""

import pytest

from kit.daemon_commands import ready, strike, zerobeat
from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend, parse

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

# 25 cents of a range of 200 are 1024 of 8192 steps: MIDI 1.0 Detailed Specification.
BENDS = [PitchBend(0, 1024), PitchBend(1, -1024)]
# All Notes Off is controller 123, All Sound Off 120: MIDI 1.0 Detailed Specification, table 3.
CHANNEL_MESSAGES = [
    ControlChange(channel, controller, 0) for channel in (0, 1) for controller in (123, 120)
]


@pytest.mark.parametrize("controllers", [True, False])
def test_panic_releases_note_by_note_then_by_channel_then_restores_bends(tmp_path, controllers):
    more = "scene: {title: apart, voices: {v1: {detune_cents: 25}, v2: {detune_cents: -25}}}\n"
    rig = write_rig(tmp_path, voices=2, more=more)
    if not controllers:
        text = rig.read_text()
        changed = text.replace(
            'octo: {port: "octo:in"', 'octo: {port: "octo:in", panic_controllers: false'
        )
        assert changed != text
        rig.write_text(changed)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        ready(daemon, octo)
        keys.send(bytes((0x90, 60, 100)))
        octo.wait_for_silence()
        before = len(octo.heard)
        assert zerobeat(daemon, "panic") == "every note released\n"
        sent = [parse(content) for _, content in octo.wait_for_silence()[before:]]
        offs = [NoteOff(0, 60), NoteOff(1, 60)]
        expected = [*offs, *(CHANNEL_MESSAGES if controllers else ()), *BENDS]
        assert sent == expected
        keys.send(bytes((0x80, 60, 64)))  # its note-off has gone already
        assert len(octo.wait_for_silence()) == before + len(expected)
        assert strike(keys, octo) == [60, 60]  # and play goes on
        assert open_notes(content for _, content in octo.heard) == set()


def test_panic_with_nothing_sounding_strikes_nothing(tmp_path):
    with (
        JackServer() as server,
        MidiSender("keys"),
        MidiRecorder("octo") as octo,
        DaemonProcess(write_rig(tmp_path, voices=2), server.environment) as daemon,
    ):
        ready(daemon, octo)
        before = len(octo.heard)
        zerobeat(daemon, "panic")
        sent = [parse(content) for _, content in octo.wait_for_silence()[before:]]
        assert sent == CHANNEL_MESSAGES
        assert not any(isinstance(message, NoteOn) for message in sent)
