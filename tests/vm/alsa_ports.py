"""The ports on a real ALSA sequencer. Run in the guest: alsa_ports.py [WORD IN A NAME].

Plain functions, no pytest there. Each scenario opens the daemon's ports and
watch, without the daemon, and other programs as processes of their own.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from guest import main

from zerobeat.ports.midi_in import MidiIn
from zerobeat.ports.midi_out import MidiOut
from zerobeat.ports.patch import choose_backend, open_patch
from zerobeat.ports.port_name import find
from zerobeat.ports.watch import PortEvent, PortLink, Watch

PEER = Path(__file__).with_name("peer.py")
GADGET = Path(__file__).with_name("usb_keys.sh")
KEYS = PortLink("keys", "in", "Stage Keys:MIDI 1")
QUAD = PortLink("quad", "out", "quad:in")


class Peer:
    """A process with a port; see peer.py."""

    def __init__(self, kind: str, name: str, port: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(PEER), kind, name, port],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.line() == "up"

    def line(self) -> str:
        return self._process.stdout.readline().strip()

    def say(self, text: str) -> None:
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        self._process.stdin.close()
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        if self._process.poll() is None:
            self.kill()


class Desk:
    """The daemon's ports and watch, without the daemon."""

    def __init__(self, *links: PortLink) -> None:
        self.inbox: deque = deque()
        self.wake_fd = os.eventfd(0, os.EFD_NONBLOCK)
        self.patch = open_patch(choose_backend("auto"))
        self.inputs = {
            link.name: MidiIn(link.name, self.inbox, self.wake_fd, self.patch)
            for link in links
            if link.direction == "in"
        }
        self.outputs = {
            link.name: MidiOut(link.name, self.patch) for link in links if link.direction == "out"
        }
        self.watch = Watch(self.patch, links, time.monotonic())

    def until(self, kind: str, name: str, timeout_s: float = 10.0) -> list[PortEvent]:
        events: list[PortEvent] = []
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            rest_s = min(self.watch.due_s, end_s) - time.monotonic()
            select.select([self.watch], [], [], max(0.0, rest_s))
            events += self.watch.poll(time.monotonic())
            if any((event.kind, event.name) == (kind, name) for event in events):
                return events
        raise TimeoutError(f"no {kind} of {name}: {events}")

    def quiet(self, for_s: float = 3.0) -> None:
        try:
            self.until("never", "", for_s)
        except TimeoutError as error:
            assert str(error).endswith(": []"), error

    def hear(self, content: bytes, timeout_s: float = 5.0) -> None:
        """Wait until a message arrives; all before it is dropped."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            while self.inbox:
                if bytes(self.inbox.popleft()[2]) == content:
                    return
            time.sleep(0.01)
        raise TimeoutError(f"{content.hex()} was not heard")

    def close(self) -> None:
        for port in [*self.inputs.values(), *self.outputs.values()]:
            port.close()
        self.patch.close()
        os.close(self.wake_fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def kinds(events: list[PortEvent]) -> list[str]:
    return [event.kind for event in events]


def clients() -> int:
    listing = Path("/proc/asound/seq/clients").read_text()
    return int(listing.partition("cur  clients : ")[2].split()[0])


# ---------------------------------------------------------------- scenarios


def names_are_as_documented() -> None:
    """M19, M18: one client a port and one watcher."""
    before = clients()
    with Desk(KEYS, QUAD):
        listing = subprocess.run(
            ["aconnect", "-l"], capture_output=True, text=True, check=True
        ).stdout
        assert '"zerobeat watch"' in Path("/proc/asound/seq/clients").read_text()
        assert clients() == before + 3
    for line in ("'zerobeat in keys'", "'zerobeat out quad'"):
        assert f": {line} [type=user" in listing, listing
    assert listing.count("0 'midi            '") == 2, listing
    assert clients() == before


def killed_and_back() -> None:
    """M1: lost within 1 s, back within 2 s, and it plays."""
    with Desk(KEYS) as desk, Peer("source", "Stage Keys", "MIDI 1") as keys:
        desk.until("connected", "keys")
        keys.say("903c64")
        desk.hear(b"\x90\x3c\x64")
        keys.kill()
        start_s = time.monotonic()
        assert kinds(desk.until("missing", "keys")) == ["lost", "missing"]
        print(f"    lost after {time.monotonic() - start_s:.2f} s", end="")
        assert time.monotonic() - start_s < 1.0
        with Peer("source", "Stage Keys", "MIDI 1") as again:
            start_s = time.monotonic()
            assert kinds(desk.until("connected", "keys")) == ["connected"]
            print(f", back after {time.monotonic() - start_s:.2f} s")
            assert time.monotonic() - start_s < 2.0
            again.say("803c40")
            desk.hear(b"\x80\x3c\x40")


def gone_and_back_between_two_looks() -> None:
    """M1: the same name and number before and after, and yet the connection is dead."""
    with Desk(KEYS) as desk, Peer("blink", "Stage Keys", "MIDI 1") as keys:
        keys.say("on")
        desk.until("connected", "keys")
        before = [port for port in desk.patch.ports() if port.text == KEYS.port]
        for word in ("off", "on"):
            keys.line()
            keys.say(word)
        keys.line()
        assert [port for port in desk.patch.ports() if port.text == KEYS.port] == before
        assert kinds(desk.until("connected", "keys")) == ["lost", "connected"]


def a_usb_keyboard_is_pulled() -> None:
    """M1, M5 on the real USB driver: serial and socket, pull, replug within one look."""
    keyboard = PortLink("keys", "in", "Lab Keys:Lab Keys MIDI 1")
    with Desk(keyboard) as desk, usb_keys() as usb:
        event = desk.until("connected", "keys", 20.0)[-1]
        (port,) = (p for p in desk.patch.ports() if p.text == keyboard.port and p.direction == "in")
        print(f"    {event.text}, {port.identity}")
        assert port.identity[0] == "serial 0001"
        assert port.identity[1].startswith("usb ")
        for identity in port.identity:
            assert find(f"{keyboard.port} [{identity}]", [port], "in").port == port
        usb("play", "903C40")
        desk.hear(b"\x90\x3c\x40")
        usb("unplug")
        assert kinds(desk.until("missing", "keys"))[0] == "lost"
        usb("plug")
        desk.until("connected", "keys", 20.0)
        usb("unplug")
        usb("plug")  # no look in between
        assert kinds(desk.until("connected", "keys", 20.0))[0] == "lost"
        usb("play", "803C40")
        desk.hear(b"\x80\x3c\x40")


@contextlib.contextmanager
def usb_keys() -> Iterator:
    def do(*words: str) -> None:
        subprocess.run(["bash", str(GADGET), *words], check=True)
        time.sleep(0.5)

    do("setup")
    do("plug")
    try:
        yield do
    finally:
        do("unplug")
        do("teardown")


def a_port_that_comes_late() -> None:
    """M2: the client is announced half a second before its port."""
    with Desk(KEYS) as desk:
        desk.until("missing", "keys")
        with Peer("late", "Stage Keys", "MIDI 1"):
            desk.until("connected", "keys", 2.0)


def announcements_get_lost() -> None:
    """M2: they are thrown away here, and overrun once."""
    with Desk(KEYS) as desk:
        desk.until("missing", "keys")
        with Peer("source", "Stage Keys", "MIDI 1"):
            desk.patch.heard()
            desk.until("connected", "keys", 4.0)
        desk.until("missing", "keys")
        with Peer("blink", "crowd", "out") as crowd:
            for word in [
                "on",
                "off",
            ] * 300:  # four announcements each; the queue holds 500
                crowd.say(word)
                crowd.line()
            with Peer("source", "Stage Keys", "MIDI 1"):
                desk.until("connected", "keys", 4.0)


def numbers_are_shuffled() -> None:
    """M4: the same name under another client number; a number in the name is refused."""
    numbers = set()
    for crowd in range(3):
        with contextlib.ExitStack() as stack:
            for number in range(crowd):
                stack.enter_context(Peer("source", f"crowd {number}", "out"))
            keys = stack.enter_context(Peer("source", "Stage Keys", "MIDI 1"))
            desk = stack.enter_context(Desk(KEYS))
            desk.until("connected", "keys")
            numbers |= {p.address for p in desk.patch.ports() if p.text == KEYS.port}
            keys.say("903c64")
            desk.hear(b"\x90\x3c\x64")
    assert len(numbers) == 3, numbers
    with (
        Peer("source", "Stage Keys", "MIDI 1"),
        Desk(PortLink("keys", "in", KEYS.port + " 128:0")) as d,
    ):
        (event,) = d.until("forbidden", "keys")
        assert event.text.endswith('write "Stage Keys:MIDI 1"'), event


def two_of_one_name() -> None:
    """M5: neither is opened; one that plays already goes on when the second comes."""
    twins = [Peer("source", "Stage Keys", "MIDI 1") for _ in range(2)]
    with twins[0], twins[1], Desk(KEYS) as desk:
        (event,) = desk.until("ambiguous", "keys")
        assert "nothing tells them apart" in event.text, event
    with Desk(KEYS) as desk, Peer("source", "Stage Keys", "MIDI 1") as first:
        desk.until("connected", "keys")
        with Peer("source", "Stage Keys", "MIDI 1"):
            desk.quiet()
            first.say("903c64")
            desk.hear(b"\x90\x3c\x64")
            first.kill()
            assert kinds(desk.until("connected", "keys")) == ["lost", "connected"]


def one_and_ten() -> None:
    """M6."""
    for order in (("Port 1", "Port 10"), ("Port 10", "Port 1")):
        with contextlib.ExitStack() as stack:
            peers = {p: stack.enter_context(Peer("source", "hub", p)) for p in order}
            desk = stack.enter_context(Desk(PortLink("keys", "in", "hub:Port 1")))
            desk.until("connected", "keys")
            peers["Port 10"].say("900064")
            peers["Port 1"].say("903c64")
            desk.hear(b"\x90\x3c\x64")
            time.sleep(0.2)
            assert not desk.inbox
    with (
        Desk(PortLink("keys", "in", "hub:Port 1")) as desk,
        Peer("source", "hub", "Port 10"),
    ):
        desk.until("missing", "keys")
        desk.quiet()


def loops_are_not_made() -> None:
    """M21."""
    through = "Midi Through:Midi Through Port-0"
    with Desk(
        PortLink("keys", "in", "Midi*", True), PortLink("quad", "out", "zerobeat*", True)
    ) as desk:
        assert kinds(desk.until("forbidden", "quad")) == ["forbidden", "forbidden"]
    with Desk(PortLink("keys", "in", through)) as desk:
        desk.until("connected", "keys")


def nothing_leaks() -> None:
    """M3: 2,000 enumerations and 500 replugs leave the kernel's client count unchanged."""
    with Desk(KEYS) as desk, Peer("blink", "Stage Keys", "MIDI 1") as keys:
        before = clients()
        for _ in range(2000):
            desk.patch.ports()
        for number in range(500):
            keys.say("on")
            keys.line()
            if number % 10 == 0:
                desk.until("connected", "keys")
            keys.say("off")
            keys.line()
        desk.until("missing", "keys")
        assert clients() == before, (clients(), before)


def the_last_note_offs_leave() -> None:
    """M15: 100 of 100."""
    offs = [bytes((0x80 | channel, 60, 64)).hex() for channel in range(8)]
    with Peer("sink", "quad", "in") as quad:
        for _ in range(100):
            with Desk(QUAD) as desk:
                desk.until("connected", "quad")
                for content in offs:
                    desk.outputs["quad"].send(bytes.fromhex(content))
                assert desk.outputs["quad"].drain()
            assert [quad.line() for _ in offs] == offs


def every_class_passes() -> None:
    """M10, N8: in at one end, out at the other, in order."""
    sent = (
        "903c64 803c40 a03c10 b0407f c005 d030 e00040 f07d0102f7 "
        "f112 f20800 f301 f6 f8 fa fb fc fe ff"
    )
    with (
        Desk(KEYS, QUAD) as desk,
        Peer("source", "Stage Keys", "MIDI 1") as keys,
        Peer("sink", "quad", "in") as quad,
    ):
        desk.until("connected", "quad")
        for word in sent.split():
            keys.say(word)
            desk.hear(bytes.fromhex(word))
            desk.outputs["quad"].send(bytes.fromhex(word))
            assert quad.line() == word
        long = b"\xf0\x7d" + bytes(2000) + b"\xf7"
        desk.outputs["quad"].send(long)
        heard = ""
        while not heard.endswith("f7"):
            heard += quad.line()
        assert bytes.fromhex(heard) == long


def ports_close_under_traffic() -> None:
    """M14: 200 times, no crash and no deadlock."""
    before = clients()
    with Peer("source", "Stage Keys", "MIDI 1") as keys:
        for _ in range(200):
            with Desk(KEYS) as desk:
                desk.until("connected", "keys")
                keys.say("903c64 x 50")
    assert clients() == before


def an_overrun_is_told() -> None:
    """M11: the kernel clears its queue and reports nothing."""
    with Desk(KEYS) as desk, Peer("source", "Stage Keys", "MIDI 1") as keys:
        desk.until("connected", "keys")
        keys.say("903c64 x 3000")
        sum(range(30_000_000))  # holds the GIL, so the callback waits
        (event,) = desk.until("overrun", "keys")
        print(f"    {event.text}; {len(desk.inbox)} of 3000 heard")
        for _ in range(10):  # the sender still holds some of the 3000, which overrun once more
            keys.say("803c40")
            time.sleep(0.2)
        desk.hear(b"\x80\x3c\x40")


def a_receiver_that_hangs_holds_nothing_up() -> None:
    """Its queue runs full: sending goes on, faults are counted, and it hears again."""
    with Desk(QUAD) as desk, Peer("sink", "quad", "in") as quad:
        desk.until("connected", "quad")
        quad._process.send_signal(19)  # SIGSTOP
        start_s = time.monotonic()
        for number in range(3000):
            desk.outputs["quad"].send(bytes((0x90, number % 128, 64)))
        out = desk.outputs["quad"]
        print(f"    {time.monotonic() - start_s:.2f} s, {out.faults} faults: {out.last_fault}")
        assert time.monotonic() - start_s < 10.0  # and not 3000 times BUSY_S
        quad._process.send_signal(18)  # SIGCONT
        for _ in range(10):
            time.sleep(0.2)
            out.send(b"\x80\x01\x40")
        while quad.line() != "800140":
            pass


def no_right_to_the_sequencer() -> None:
    """S2."""
    script = (
        "from zerobeat.ports.patch import open_patch; from zerobeat.errors import PortError\n"
        "try: open_patch('alsa')\n"
        "except PortError as error: print(error)"
    )
    done = subprocess.run(
        [
            "setpriv",
            "--reuid=65534",
            "--regid=65534",
            "--clear-groups",
            sys.executable,
            "-c",
            script,
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == (
        "/dev/snd/seq: permission denied; put user nobody into group audio and log in again"
    ), done
    assert done.stderr == "", done


if __name__ == "__main__":
    sys.exit(main())
