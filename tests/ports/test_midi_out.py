"""What is sent leaves, in order, and a dead server stops nothing (M14, M15)."""

import pytest

from kit.jack import MidiRecorder, wait_until
from zerobeat.ports.midi_out import RING_BYTES, MidiOut

EIGHT_OFFS = [bytes((0x80 | channel, 60, 64)) for channel in range(8)]


def test_the_port_is_named_as_documented(server, patch):
    """M19."""
    out = MidiOut("quad", patch)
    assert "zerobeat out quad:midi" in server.ports()
    assert [p.own for p in patch.ports() if p.text == "zerobeat out quad:midi"] == [True]
    out.close()
    out.close()
    assert "zerobeat out quad:midi" not in server.ports()


def test_every_class_of_message_leaves_in_order(server, patch):
    sent = [
        b"\xe0\x00\x40",
        b"\x90\x3c\x64",
        b"\xc0\x05",
        b"\xf8",
        b"\xf0\x7d" + b"\x01" * 2000,
    ]
    sent[-1] += b"\xf7"
    out = MidiOut("quad", patch)
    with MidiRecorder("quad") as quad:
        server.connect("zerobeat out quad:midi", "quad:in")
        for content in sent:
            out.send(content)
        assert [content for _, content in quad.wait_for(len(sent))] == sent
    out.close()
    assert out.faults == 0


def test_the_last_note_offs_leave_before_close(server, patch):
    """M15, twenty runs; the hundred are in tests/e2e."""
    with MidiRecorder("quad") as quad:
        for run in range(1, 21):
            out = MidiOut("quad", patch)
            server.connect("zerobeat out quad:midi", "quad:in")
            for content in EIGHT_OFFS:
                out.send(content)
            assert out.drain()
            out.close()
            assert [c for _, c in quad.wait_for(8 * run)][-8:] == EIGHT_OFFS


def test_a_burst_is_held_back_rather_than_lost(server, patch):
    """3000 notes are 21,000 bytes with their headers; the library's ring buffer holds 16,384."""
    sent = [bytes((0x90, number % 128, 64)) for number in range(3000)]
    out = MidiOut("quad", patch)
    with MidiRecorder("quad") as quad:
        server.connect("zerobeat out quad:midi", "quad:in")
        for content in sent:
            out.send(content)
        assert [content for _, content in quad.wait_for(3000)] == sent
    out.close()
    assert out.faults == 0


@pytest.mark.parametrize("content", [b"", b"\x90\x3c\x64\x00", b"\xf0" + bytes(RING_BYTES)])
def test_what_cannot_be_sent_is_counted(server, patch, content):
    out = MidiOut("quad", patch)
    out.send(content)
    assert out.faults == 1
    assert out.last_fault
    out.close()
    out.send(b"\x90\x3c\x64")
    assert out.faults == 2


def test_a_killed_server_stops_sending_and_nothing_hangs(server, patch, capfd):
    """The library would wait for room in its ring buffer for ever."""
    out = MidiOut("quad", patch)
    server.kill()
    wait_until(lambda: not patch.alive, 1.0, "the death to be noticed")
    for number in range(10_000):
        out.send(bytes((0x90, number % 128, 64)))
    assert out.faults == 10_000
    assert not out.drain()
    out.close()
    assert capfd.readouterr().err == ""


def test_a_server_that_hangs_is_waited_for_only_briefly(server, patch):
    """Stopped, not dead: nothing is announced, no period passes."""
    out = MidiOut("quad", patch)
    with server.paused():
        for number in range(200):
            out.send(bytes((0x90, number % 128, 64)))
            if out.faults:
                break
        assert out.last_fault == "the JACK server takes nothing"
        assert not out.drain(timeout_s=0.05)
    assert out.drain()
    out.send(b"\x90\x3c\x64")
    assert out.faults == 1
    out.close()
