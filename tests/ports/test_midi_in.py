"""All that is played arrives, stamped, in order (M7, M10, M11, M12)."""

import os
import time
from collections import deque

import pytest

from kit.jack import MidiSender, wait_until
from zerobeat.ports.midi_in import MidiIn

EVERY_CLASS = [
    b"\x90\x3c\x64",
    b"\x80\x3c\x40",
    b"\xa0\x3c\x10",
    b"\xb0\x40\x7f",
    b"\xc0\x05",
    b"\xd0\x30",
    b"\xe0\x00\x40",
    b"\xf0\x7d\x01\x02\xf7",
    b"\xf1\x12",
    b"\xf2\x08\x00",
    b"\xf3\x01",
    b"\xf6",
    b"\xf8",
    b"\xfa",
    b"\xfb",
    b"\xfc",
    b"\xfe",
    b"\xff",
]


def contents(inbox):
    return [bytes(content) for _, _, content in inbox]


def test_the_port_is_named_as_documented(server, patch, wake_fd):
    """M19."""
    keys = MidiIn("keys", deque(), wake_fd, patch)
    assert "zerobeat in keys:midi" in server.ports()
    assert [p.own for p in patch.ports() if p.text == "zerobeat in keys:midi"] == [True]
    keys.close()
    assert "zerobeat in keys:midi" not in server.ports()


def test_every_class_of_message_arrives_in_order(server, patch, wake_fd):
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch)
    with MidiSender("Stage Keys") as player:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        before_s = time.monotonic()
        for content in EVERY_CLASS:
            player.send(content)
        wait_until(lambda: len(inbox) >= len(EVERY_CLASS))
    keys.close()
    assert contents(inbox) == EVERY_CLASS
    stamps = [now_s for now_s, _, _ in inbox]
    assert stamps == sorted(stamps)
    assert before_s <= stamps[0] <= time.monotonic()
    assert {name for _, name, _ in inbox} == {"keys"}
    assert os.eventfd_read(wake_fd) == len(EVERY_CLASS)


def test_two_inputs_share_an_inbox_and_keep_their_names(server, patch, wake_fd):
    inbox = deque()
    ports = [MidiIn(name, inbox, wake_fd, patch) for name in ("keys", "feet")]
    with MidiSender("Stage Keys") as stage, MidiSender("Four Feet") as four:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        server.connect("Four Feet:out", "zerobeat in feet:midi")
        stage.send(b"\x90\x3c\x64")
        wait_until(lambda: len(inbox) == 1)
        four.send(b"\xc0\x05")
        wait_until(lambda: len(inbox) == 2)
    for port in ports:
        port.close()
    assert [name for _, name, _ in inbox] == ["keys", "feet"]


def test_a_full_inbox_marks_the_input_and_loses_only_what_is_new(server, patch, wake_fd):
    """M11."""
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch, limit=4)
    with MidiSender("Stage Keys") as player:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        for note in range(6):
            player.send(bytes((0x90, note, 64)))
        wait_until(lambda: keys.lost == 2)
        assert keys.overflowed
        assert contents(inbox) == [bytes((0x90, note, 64)) for note in range(4)]
        inbox.clear()
        keys.overflowed = False
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: len(inbox) == 1)
        assert not keys.overflowed
    keys.close()


def test_a_fault_in_the_callback_is_counted_and_the_next_note_arrives(server, patch, capfd):
    """M7: here the eventfd is gone for a while."""
    wake_fd = os.eventfd(0, os.EFD_NONBLOCK)
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch)
    with MidiSender("Stage Keys") as player:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        os.close(wake_fd)
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: keys.faults == 1)
        assert os.eventfd(0, os.EFD_NONBLOCK) == wake_fd
        player.send(b"\x80\x3c\x40")
        wait_until(lambda: len(inbox) == 2)
        assert os.eventfd_read(wake_fd) == 1
    keys.close()
    os.close(wake_fd)
    assert keys.faults == 1
    assert capfd.readouterr().err == ""


def test_close_may_be_called_twice(server, patch, wake_fd):
    keys = MidiIn("keys", deque(), wake_fd, patch)
    keys.close()
    keys.close()


@pytest.mark.slow
def test_a_thousand_inputs_open_and_close_under_traffic(server, patch, wake_fd):
    """M14, M3: no crash, no deadlock, no client left."""
    inbox = deque(maxlen=100)
    before = server.ports()
    with MidiSender("Stage Keys") as player:
        for _ in range(1000):
            keys = MidiIn("keys", inbox, wake_fd, patch)
            server.connect("Stage Keys:out", "zerobeat in keys:midi")
            for note in range(20):
                player.send(bytes((0x90, note, 64)))
            time.sleep(0.003)  # so that some arrive and some come too late
            keys.close()
    assert server.ports() == before
    assert inbox
