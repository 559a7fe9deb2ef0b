"""The note path without ports: what is counted as a press, and what a refusal leaves behind."""

from __future__ import annotations

import pytest

from kit.engine_harness import KEYS, small_rig
from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.settings import Input, Scene
from zerobeat.engine.wire import Wire
from zerobeat.errors import CommandError
from zerobeat.ports.mirror import Mirror
from zerobeat.runtime.journal import Journal
from zerobeat.runtime.note_path import NotePath

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)


class SentBytes:
    """Stands where an open port stands: keeps what was sent."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, content: bytes) -> None:
        self.sent.append(bytes(content))


@pytest.fixture
def path(tmp_path):
    rig = small_rig(1, inputs=(KEYS, FEET))
    wire = Wire(rig.outputs)
    mirror = Mirror(tmp_path, ["out"])
    found = NotePath(Engine(rig, (Scene("one"), Scene("two"))), wire, mirror, Journal())
    found.outs["out"] = SentBytes()
    found.command(commands.OutputBack("out"))
    yield found
    mirror.close()


def hear(path: NotePath, *contents: bytes, name: str = "feet") -> None:
    for content in contents:
        path.inbox.append((0.0, name, content))
    path.hear([])


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
def test_only_switches_that_go_down_are_presses(path, contents, presses):
    hear(path, *contents)
    assert path.foot_presses == presses


def test_a_refused_command_loses_no_note_off(path):
    path.command(commands.PlayRaw("reed", 60))
    with pytest.raises(CommandError):
        path.command(commands.StepScene(-1))
    path.command(commands.Panic())
    notes = [content for content in path.outs["out"].sent if content[0] & 0xE0 == 0x80]
    assert [content[0] for content in notes] == [0x90, 0x80]


def test_what_was_appended_before_a_refusal_leaves(path, monkeypatch):
    """Whatever refuses, and whenever: outputs once appended are sent."""
    engine = path._engine

    def refuse_late(message, source, now_s, outputs):
        engine.shared.ledger.lane("out", 0).release(outputs)
        raise CommandError("too late to say so")

    path.command(commands.PlayRaw("reed", 60))
    with monkeypatch.context() as patched:
        patched.setattr(engine, "receive", refuse_late)
        with pytest.raises(CommandError):
            path.command(commands.TriggerNow())
    assert path.outs["out"].sent[-1] == b"\x80\x3c\x40"
