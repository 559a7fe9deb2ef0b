"""The note path without ports: presses, refusals, note-offs that a port refuses (N12, M11)."""

from __future__ import annotations

import signal
import threading
import time
from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, small_rig
from zerobeat import midi
from zerobeat.config.rig import read_rig
from zerobeat.engine import commands
from zerobeat.engine.commands import OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import Input, Scene
from zerobeat.engine.wire import Wire
from zerobeat.errors import CommandError
from zerobeat.ports.interruptions import SIGNAL
from zerobeat.ports.midi_in import split_messages
from zerobeat.ports.mirror import Mirror, read_left
from zerobeat.runtime.journal import Journal
from zerobeat.runtime.note_path import NotePath

RIG = """\
inputs: {keys: {port: "keys:out"}}
converters: {octo: {port: "octo:in", converter: {gate_gap_ms: 2}}}
voices: {v1: {converter: octo, channel_number: 1}}
"""


class Backend:
    """A server whose time stands still until it is told otherwise."""

    alive = True
    frames_to_leave = 512
    collect_every_s = float("inf")
    now = 0

    def cycles(self):
        return self.now


class Port:
    """An output port that refuses, or takes."""

    def __init__(self, backend):
        self.backend = backend
        self.takes = True
        self.sent = []

    def send(self, content):
        if self.takes:
            self.sent.append(bytes(content))
        return self.takes

    def handed_over_at(self):
        return self.backend.now


class NotePathHarness:
    def __init__(self, folder):
        (folder / "rig.yaml").write_text(RIG)
        loaded = read_rig(folder / "rig.yaml")
        self.now_s = 100.0
        self.backend = Backend()
        self.port = Port(self.backend)
        self.mirror = Mirror(folder, ["octo"])
        self.engine = Engine(loaded.rig, loaded.scenes)
        wire = Wire(loaded.rig.outputs)
        self.path = NotePath(self.engine, wire, self.mirror, self.backend, Journal())
        self.path.outs["octo"] = self.port
        self.path.command(OutputBack("octo"))
        self.path.send_rest(1.0)

    def play(self, *contents):
        for content in contents:
            self.path.inbox.append((self.now_s, "keys", list(content)))
        self.path.receive_all([])
        self.path.send_rest(0.5)

    def notes(self):
        return [c.hex() for c in self.port.sent if c[0] & 0xF0 in (0x80, 0x90)]

    def marks(self):
        return read_left(self.mirror.path)


@pytest.fixture
def path(tmp_path):
    harness = NotePathHarness(tmp_path)
    yield harness
    harness.mirror.close()


ON, OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))


def test_a_mark_goes_some_periods_after_the_note_off(path):
    path.play(ON, OFF)
    path.path.settle(1e9)
    assert path.marks() == {"octo": [(0, 60)]}
    path.backend.now = 600
    path.path.settle(2e9)
    assert path.marks() == {}


def test_a_note_off_that_is_refused_is_sent_again(path):
    path.play(ON)
    path.port.takes = False
    path.play(OFF)
    path.backend.now = 9999
    path.path.settle(1e9)
    assert path.marks() == {"octo": [(0, 60)]} and path.path.wake_at_s is not None
    path.port.takes = True
    path.path.settle(2e9)
    path.backend.now = 99999
    path.path.settle(3e9)
    assert path.notes() == ["903c64", "803c40"] and path.marks() == {}
    assert path.path.wake_at_s is None


def test_it_goes_before_the_same_note_is_struck_again(path):
    path.play(ON)
    path.port.takes = False
    path.play(OFF)
    path.port.takes = True
    path.play(ON)
    assert path.notes() == ["903c64", "803c40", "903c64"]
    path.play(OFF)
    assert path.notes()[3:] == ["803c40"]


def test_a_server_that_has_gone_is_not_asked_again(path):
    path.play(ON)
    path.port.takes = False
    path.play(OFF)
    path.backend.alive = False
    path.port.takes = True
    path.path.settle(1e9)
    assert path.notes() == ["903c64"] and path.marks() == {"octo": [(0, 60)]}


def test_all_notes_are_released_though_the_engine_fails(path, capsys):
    path.play(ON)
    path.engine.release_all = lambda: 1 / 0
    path.path.release_all()
    assert path.notes() == ["903c64", "803c40"]
    assert "ZeroDivisionError" in capsys.readouterr().err


# MIDI 1.0 Detailed Specification, p. 5: any status byte but a real-time one ends an
# exclusive message.
@pytest.mark.parametrize(
    ("joined", "parts"),
    [
        ("f07d01f7", "f07d01f7"),
        ("f07d01", "f07d01"),
        ("f07d0102803c40f7", "f07d0102 803c40"),
        ("f07d01b04001903e64803e40f7", "f07d01 b04001 903e64 803e40"),
        ("f07d803c40f07d01f7", "f07d 803c40 f07d01f7"),
        ("f07dc005d010e00040f201 02f7", "f07d c005 d010 e00040 f20102"),
        ("f07df8f8803c40faf8f7", "f07d 803c40 fa"),  # late clocks are left out, a start is not
        ("f0f0f0f7", "f0 f0 f0f7"),
        ("f07d9040f7", "f07d 9040"),  # cut short: no message, and counted so
    ],
)
def test_what_an_open_exclusive_message_swallowed_is_taken_apart(joined, parts):
    found = split_messages(list(bytes.fromhex(joined)))
    assert [bytes(part).hex() for part in found] == parts.split()


def test_a_swallowed_note_off_is_played(path):
    path.play(ON, bytes.fromhex("f07d803c40f7"))
    assert path.notes() == ["903c64", "803c40"] and path.path.malformed == 1


# ------------------------------------------------------------ presses and refusals

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)


class SentBytes:
    """Stands where an open port stands: keeps what was sent."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, content: bytes) -> bool:
        self.sent.append(bytes(content))
        return True

    def handed_over_at(self) -> None:
        return None


@pytest.fixture
def bare_path(tmp_path):
    rig = small_rig(1, inputs=(KEYS, FEET))
    wire = Wire(rig.outputs)
    mirror = Mirror(tmp_path, ["out"])
    found = NotePath(Engine(rig, (Scene("one"), Scene("two"))), wire, mirror, Backend(), Journal())
    found.outs["out"] = SentBytes()
    found.command(commands.OutputBack("out"))
    yield found
    mirror.close()


def receive(path: NotePath, *contents: bytes, name: str = "feet") -> None:
    for content in contents:
        path.inbox.append((0.0, name, content))
    path.receive_all([])


@pytest.mark.parametrize(
    ("contents", "presses"),
    [
        ([b"\xf8", b"\xfe", b"\xfa"], 0),  # clock, active sensing, start
        ([b"\x80\x3c\x40", b"\x90\x3c\x00"], 0),  # note-offs
        ([b"\xe0\x00\x60", b"\xd0\x50", b"\xa0\x3c\x50"], 0),  # wheel, pressures
        ([b"\xb0\x50\x3f", b"\xb0\x50\x00"], 0),
        ([b"\xb0\x50\x7f", b"\xb0\x50\x00", b"\xb0\x50\x7f"], 2),
        ([b"\xb0\x50\x7f", b"\xb0\x50\x7f"], 2),  # one that sends no release
        ([b"\xb0\x0b\x40", b"\xb0\x0b\x50", b"\xb0\x0b\x60"], 1),  # a pedal that is trodden down
        ([b"\xc0\x05"], 1),
        ([b"\x90\x3c\x01"], 1),
    ],
)
def test_only_switches_that_go_down_are_presses(bare_path, contents, presses):
    receive(bare_path, *contents)
    assert bare_path.foot_presses == presses


def test_a_refused_command_loses_no_note_off(bare_path):
    bare_path.command(commands.PlayRaw("reed", 60))
    with pytest.raises(CommandError):
        bare_path.command(commands.StepScene(-1))
    bare_path.command(commands.Panic())
    notes = [content for content in bare_path.outs["out"].sent if content[0] & 0xE0 == 0x80]
    assert [content[0] for content in notes] == [0x90, 0x80]


def test_what_was_appended_before_a_refusal_leaves(bare_path, monkeypatch):
    """Whatever refuses, and whenever: outputs once appended are sent."""
    engine = bare_path._engine

    def refuse_late(message, source, now_s, outputs):
        engine.shared.ledger.lane("out", 0).release(outputs)
        raise CommandError("too late to say so")

    bare_path.command(commands.PlayRaw("reed", 60))
    with monkeypatch.context() as patched:
        patched.setattr(engine, "receive", refuse_late)
        with pytest.raises(CommandError):
            bare_path.command(commands.TriggerNow())
    assert bare_path.outs["out"].sent[-1] == b"\x80\x3c\x40"


def test_a_key_is_played_in_the_midst_of_long_work_and_once(path):
    """M8: a hundred keys come from another thread while this one computes."""
    notes = path.path
    before = {number: signal.getsignal(number) for number in (SIGNAL, signal.SIGALRM)}
    notes.interruptions.listen()

    def keys():
        for number in range(200):
            content = bytes((0x80 if number % 2 else 0x90, 60, 64))
            notes.inbox.append((path.now_s, "keys", content))
            notes.interruptions.arrived()
            time.sleep(0.0002)

    player = threading.Thread(target=keys)
    player.start()
    try:
        with notes.interruptions:
            while player.is_alive():
                sum(range(1000))
                notes.catch_up()  # its own looks and interruptions may fall together
        notes.send_rest(0.5)
    finally:
        player.join()
        for number, handler in before.items():
            signal.signal(number, handler)
    assert path.notes() == ["903c40", "803c40"] * 100


def test_what_an_input_is_not_listened_to_for_is_no_press(bare_path):
    """Another channel than the one that the rig says."""
    inputs = (KEYS, replace(FEET, channel=3))
    bare_path.use_rig(replace(bare_path._engine.rig, inputs=inputs))
    receive(bare_path, b"\xb0\x50\x7f", b"\xc0\x05", b"\x90\x3c\x01")
    assert bare_path.foot_presses == 0
    receive(bare_path, b"\xb3\x50\x7f", b"\xc3\x05", b"\x93\x3c\x01")
    assert bare_path.foot_presses == 3


def test_a_light_that_comes_back_is_no_press(bare_path):  # F9
    lit = Binding("controller", 80, "recall", scene="one", feedback=True)
    rig = replace(bare_path._engine.rig, pedalboards={"feet": Pedalboard("Feet", (lit,))})
    bare_path.command(commands.Reload(rig, (Scene("one"), Scene("two"))))
    bare_path.command(commands.LightsBack("feet"))
    assert bare_path._engine.pedals.lights.due == [("feet", midi.ControlChange(0, 80, 127))]
    bare_path.inbox.append((bare_path._engine.now_s, "feet", b"\xb0\x50\x7f"))
    bare_path.receive_all([])
    assert bare_path.foot_presses == 0


def test_a_muted_input_has_no_presses(bare_path):
    receive(bare_path, *[b"\x90\x3c\x01"] * 300)
    assert bare_path.foot_presses == 100
