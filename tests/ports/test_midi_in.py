"""All that is played arrives, stamped, in order (M7, M10, M11, M12)."""

import ctypes
import os
import time
from collections import deque

import pytest

from kit.jack import MidiSender, wait_until
from kit.steady_notes import SteadyPlayer
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


def arrived(inbox, *ports):
    """Return how many messages there are, with those that wait in the library's queue."""
    for port in ports:
        port.collect()
    return len(inbox)


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
        wait_until(lambda: arrived(inbox, keys) >= len(EVERY_CLASS))
    keys.close()
    assert contents(inbox) == EVERY_CLASS
    stamps = [now_s for now_s, _, _ in inbox]
    assert stamps == sorted(stamps)
    assert before_s <= stamps[0] <= time.monotonic()
    assert {name for _, name, _ in inbox} == {"keys"}


def test_two_inputs_share_an_inbox_and_keep_their_names(server, patch, wake_fd):
    inbox = deque()
    ports = [MidiIn(name, inbox, wake_fd, patch) for name in ("keys", "feet")]
    with MidiSender("Stage Keys") as stage, MidiSender("Four Feet") as four:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        server.connect("Four Feet:out", "zerobeat in feet:midi")
        stage.send(b"\x90\x3c\x64")
        wait_until(lambda: arrived(inbox, *ports) == 1)
        four.send(b"\xc0\x05")
        wait_until(lambda: arrived(inbox, *ports) == 2)
    for port in ports:
        port.close()
    assert [name for _, name, _ in inbox] == ["keys", "feet"]


@pytest.mark.parametrize("late_s", [0.0, 0.3])
def test_a_full_inbox_marks_the_input_and_loses_only_what_is_new(server, patch, wake_fd, late_s):
    """M11: the library's queue is full where nobody looks for a while."""
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch, limit=4)
    with MidiSender("Stage Keys") as player:
        server.connect("Stage Keys:out", "zerobeat in keys:midi")
        for note in range(6):
            player.send(bytes((0x90, note, 64)))
        time.sleep(late_s)
        wait_until(lambda: arrived(inbox, keys) == 4 and keys.overflowed)
        assert contents(inbox) == [bytes((0x90, note, 64)) for note in range(4)]
        time.sleep(0.05)
        keys.collect()
        inbox.clear()
        keys.overflowed = False
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: arrived(inbox, keys) == 1)
        assert not keys.overflowed
    keys.close()


def test_what_comes_while_the_interpreter_is_held_is_neither_lost_nor_doubled(
    server, patch, wake_fd
):
    """M7: the server writes each period's messages over the last's."""
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch)
    with SteadyPlayer("player", server) as player:
        server.connect("player:out", "zerobeat in keys:midi")
        player.start()
        for _ in range(10):
            ctypes.PyDLL(None).usleep(30_000)  # keeps the interpreter's lock
            time.sleep(0.01)
            keys.collect()
        sent = player.stop()
        time.sleep(0.1)
        arrived(inbox, keys)
    keys.close()
    assert contents(inbox) == sent


def test_a_fault_in_the_callback_is_counted_and_the_next_note_arrives(server, patch, capfd):
    """M7: as ALSA's library calls it; here the eventfd is gone for a while."""
    wake_fd = os.eventfd(0, os.EFD_NONBLOCK)
    inbox = deque()
    keys = MidiIn("keys", inbox, wake_fd, patch)
    os.close(wake_fd)
    keys._on_message(([0x90, 60, 100], 0.0))
    assert keys.faults == 1
    assert os.eventfd(0, os.EFD_NONBLOCK) == wake_fd
    keys._on_message(([0x80, 60, 64], 0.0))
    assert os.eventfd_read(wake_fd) == 1
    assert len(inbox) == 2
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
            keys.collect()
            keys.close()
    assert server.ports() == before
    assert inbox
