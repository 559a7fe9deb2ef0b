"""Devices come and go, and stay connected (M1, M2, M4, M6)."""

import select
import subprocess
import sys
import time

import pytest

from kit.jack import MidiRecorder, MidiSender, wait_until
from zerobeat.ports.midi_in import MidiIn
from zerobeat.ports.midi_out import MidiOut
from zerobeat.ports.watch import DEBOUNCE_S, PortLink, Watch

KEYS = PortLink("keys", "in", "Stage Keys:MIDI 1")
QUAD = PortLink("quad", "out", "quad:in")
BUSY = "import time; end = time.time() + 60\nwhile time.time() < end: pass"


class Desk:
    """The daemon's ports and watch, without the daemon."""

    def __init__(self, patch, wake_fd, *links):
        self.patch = patch
        self.inbox = []
        self.ports = [
            MidiIn(link.name, self.inbox, wake_fd, patch)
            if link.direction == "in"
            else MidiOut(link.name, patch)
            for link in links
        ]
        self.watch = Watch(patch, links, time.monotonic())

    def arrived(self):
        """Return how many messages the first port has taken."""
        self.ports[0].collect()
        return len(self.inbox)

    def until(self, kind, name, timeout_s=5.0):
        """Run as the loop does until an event comes; return all up to it."""
        events = []
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            rest_s = min(self.watch.due_s, end_s) - time.monotonic()
            select.select([self.watch], [], [], max(0.0, min(rest_s, self.patch.look_every_s)))
            events += self.watch.poll(time.monotonic())
            if any((event.kind, event.name) == (kind, name) for event in events):
                return events
        raise TimeoutError(f"no {kind} of {name}: {events}")

    def quiet(self, for_s=0.7):
        """Return what happens when nothing should."""
        with pytest.raises(TimeoutError) as caught:
            self.until("never", "", for_s)
        return str(caught.value).partition(": ")[2]

    def close(self):
        for port in self.ports:
            port.close()


@pytest.fixture
def desk(patch, wake_fd):
    desks = []

    def make(*links):
        desks.append(Desk(patch, wake_fd, *links))
        return desks[-1]

    yield make
    for each in desks:
        each.close()


def kinds(events):
    return [(event.kind, event.name) for event in events]


def test_ports_that_are_there_first_connect_at_once(server, desk):
    with MidiSender("Stage Keys", "MIDI 1") as player, MidiRecorder("quad") as quad:
        it = desk(KEYS, QUAD)
        assert kinds(it.until("connected", "quad")) == [
            ("connected", "keys"),
            ("connected", "quad"),
        ]
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: it.arrived() == 1)
        it.ports[1].send(b"\x90\x3c\x64")
        quad.wait_for(1)


@pytest.mark.alone
def test_what_is_sent_once_connected_arrives_also_on_a_busy_machine(server, desk):
    """B3: JACK takes a connection a period later or more; 4 of 300 bend ranges were lost."""
    busy = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(3)]
    try:
        with MidiRecorder("quad") as quad:
            it = desk(QUAD)
            for _ in range(60):
                it.until("connected", "quad")
                quad.heard.clear()
                for value in range(48):
                    it.ports[0].send(bytes((0xB0, 101, value)))
                quad.wait_for(48)
                server.disconnect("zerobeat out quad:midi", "quad:in")
    finally:
        for process in busy:
            process.kill()
            process.wait()


def test_a_port_that_appears_later_connects(server, desk):
    """S6: any start order."""
    it = desk(KEYS)
    assert kinds(it.watch.poll(time.monotonic())) == [("missing", "keys")]
    assert it.watch.state(KEYS) == "missing"
    with MidiSender("Stage Keys", "MIDI 1") as player:
        (event,) = it.until("connected", "keys")
        assert event.text == "input keys: connected to Stage Keys:MIDI 1"
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: it.arrived() == 1)
    assert kinds(it.until("missing", "keys")) == [("lost", "keys"), ("missing", "keys")]
    assert it.watch.state(KEYS) == "missing"
    with MidiSender("Stage Keys", "MIDI 1"):
        assert kinds(it.until("connected", "keys")) == [("connected", "keys")]


def test_an_announcement_brings_the_next_look_forward(server, desk):
    it = desk(KEYS)
    it.until("missing", "keys")
    slow_s = it.watch.due_s
    with MidiSender("Stage Keys", "MIDI 1"):
        now_s = slow_s - 0.3

        def brought_forward():
            assert it.watch.poll(now_s) == []
            return it.watch.due_s == pytest.approx(now_s + DEBOUNCE_S)

        wait_until(brought_forward, 1.0)


def test_gone_and_back_between_two_looks_is_lost_and_connected(server, desk):
    """M1: the list of ports looks the same before and after."""
    it = desk(KEYS)
    with MidiSender("Stage Keys", "MIDI 1"):
        it.until("connected", "keys")
    with MidiSender("Stage Keys", "MIDI 1") as player:
        assert kinds(it.until("connected", "keys")) == [
            ("lost", "keys"),
            ("connected", "keys"),
        ]
        player.send(b"\x90\x3c\x64")
        wait_until(lambda: it.arrived() == 1)


def test_a_missed_announcement_is_healed(server, desk):
    """M2: announcements are thrown away here."""
    it = desk(KEYS)
    it.watch.poll(time.monotonic())
    with MidiSender("Stage Keys", "MIDI 1"):
        time.sleep(0.1)
        it.patch.heard()
        it.until("connected", "keys", 3.0)


def test_somebody_who_disconnects_us_is_overruled(server, desk):
    it = desk(KEYS)
    with MidiSender("Stage Keys", "MIDI 1"):
        it.until("connected", "keys")
        server.disconnect("Stage Keys:MIDI 1", "zerobeat in keys:midi")
        assert kinds(it.until("connected", "keys")) == [
            ("lost", "keys"),
            ("connected", "keys"),
        ]


def test_a_long_name_does_not_stand_in_for_a_short_one(server, desk):
    """M6: 1 against 10, in either order of appearance."""
    it = desk(PortLink("keys", "in", "hub:Port 1"))
    with MidiSender("hub", "Port 10"):
        it.until("missing", "keys")
        assert it.quiet() == "[]"
    with MidiSender("hub", "Port 1"):
        it.until("connected", "keys")


@pytest.mark.parametrize("names", [("north", "south"), ("south", "north")])
def test_two_that_match_are_refused_in_either_order(server, desk, names):
    it = desk(PortLink("keys", "in", "*:MIDI 1", port_is_pattern=True))
    with MidiSender(names[0], "MIDI 1"), MidiSender(names[1], "MIDI 1"):
        (event,) = it.until("ambiguous", "keys")
        assert event.text.endswith('write "north:MIDI 1" or "south:MIDI 1"')
        assert server.connections("zerobeat in keys:midi") == []


def test_a_second_match_changes_nothing_while_the_first_plays(server, desk):
    it = desk(PortLink("keys", "in", "*:MIDI 1", port_is_pattern=True))
    with MidiSender("north", "MIDI 1"):
        it.until("connected", "keys")
        with MidiSender("south", "MIDI 1"):
            assert it.quiet() == "[]"
    assert it.watch.state(it.watch._links[0]) == "connected"


def test_own_ports_are_not_connected_to_each_other(server, desk):
    """M21."""
    it = desk(
        PortLink("keys", "in", "zerobeat*", port_is_pattern=True),
        PortLink("quad", "out", "*in*", True),
    )
    assert kinds(it.watch.poll(time.monotonic())) == [
        ("forbidden", "keys"),
        ("forbidden", "quad"),
    ]
    assert server.connections("zerobeat in keys:midi") == []


def test_a_new_rig_moves_the_connection(server, desk):
    it = desk(KEYS)
    other = PortLink("keys", "in", "Four Feet:out")
    with MidiSender("Stage Keys", "MIDI 1"), MidiSender("Four Feet"):
        it.until("connected", "keys")
        it.watch.replace([other], time.monotonic())
        it.until("connected", "keys")
        assert server.connections("zerobeat in keys:midi") == ["Four Feet:out"]
        assert it.watch.state(KEYS) == "unknown"


def test_a_killed_server_is_told_once_and_nothing_is_sent_after(server, desk, capfd):
    it = desk(KEYS, QUAD)
    with MidiSender("Stage Keys", "MIDI 1"), MidiRecorder("quad"):
        it.until("connected", "quad")
        server.kill()
        events = it.until("server", "", 1.0)
        assert kinds(events) == [("lost", "keys"), ("lost", "quad"), ("server", "")]
        assert it.quiet() == "[]"
        it.ports[1].send(b"\x90\x3c\x64")
        assert it.ports[1].faults == 1
    assert capfd.readouterr().err == ""


def test_a_server_that_hangs_counts_as_gone(server, desk):
    it = desk(QUAD)
    with MidiRecorder("quad"):
        it.until("connected", "quad")
        with server.paused():
            it.until("server", "", 3.0)
        assert not it.patch.alive
