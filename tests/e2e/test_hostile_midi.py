"""Malformed and hostile MIDI into a real daemon: a loop, a flood, invalid bytes (M21, M7)."""

from __future__ import annotations

import random
import time

import pytest

from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

ON, OFF = bytes.fromhex("903c64"), bytes.fromhex("803c40")


def note_ons(recorder, after=0):
    return [c for _, c in recorder.heard[after:] if c[0] & 0xF0 == 0x90]


def plays(keys, octo):
    at = len(octo.heard)
    keys.send(ON)
    wait_until(lambda: len(note_ons(octo, at)) >= 8)
    keys.send(OFF)
    wait_until(lambda: not open_notes([c for _, c in octo.heard]))


def test_bytes_that_are_no_message_cost_nothing(tmp_path):
    chance = random.Random(3)
    with (
        JackServer() as server,
        MidiRecorder("octo") as octo,
        MidiSender("keys") as keys,
        DaemonProcess(write_rig(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        plays(keys, octo)
        for _ in range(300):
            # No note-on among them, so that what is heard is the key's alone.
            content = bytes(chance.randrange(256) for _ in range(chance.randrange(1, 4)))
            if content[0] == 0xF0:  # with its end: over JACK the library waits for one, for ever
                content = bytes((*content, *(chance.randrange(256) for _ in range(60)), 0xF7))
            if not 0x80 <= content[0] < 0xC0 and content[0] < 0xFF:
                keys.send(content)
        plays(keys, octo)
        assert not any("Traceback" in line for line in daemon.lines())


def test_a_cable_that_leads_back_is_muted_named_and_heard_again(tmp_path):
    with (
        JackServer() as server,
        MidiRecorder("octo") as octo,
        MidiSender("keys") as keys,
        DaemonProcess(write_rig(tmp_path, voices=1), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        ends = ("zerobeat out octo:midi", "zerobeat in keys:midi")
        server.connect(*ends)
        keys.send(ON)
        line = daemon.wait_for_line("muted until it has been quiet")
        assert "input keys: the same message [" in line and "goes out on octo comes back" in line
        wait_until(lambda: not open_sounds(octo))
        server.disconnect(*ends)
        wait_until(lambda: heard_again(keys, octo), 20.0)


def open_sounds(recorder):
    """Return what sounds; a loop strikes and releases as it likes."""
    sounding = set()
    for _, content in list(recorder.heard):
        if content[0] & 0xF0 == 0x90:
            sounding.add(content[:2])
        elif content[0] & 0xF0 == 0x80:
            sounding.discard(bytes((content[0] | 0x10, content[1])))
    return sounding


def heard_again(keys, octo):
    at = len(octo.heard)
    time.sleep(2.2)  # each message begins the quiet anew
    keys.send(ON)
    time.sleep(0.3)
    keys.send(OFF)
    return bool(note_ons(octo, at))
