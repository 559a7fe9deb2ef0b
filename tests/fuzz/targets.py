"""What is fuzzed: functions of bytes from outside.

Each may refuse its bytes with ``ZerobeatError`` and with nothing else; those with an engine
end with every note released.
"""

from __future__ import annotations

import gzip
import json
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from zerobeat.config.rig import read_rig
from zerobeat.engine.engine import Engine
from zerobeat.engine.wire import Wire
from zerobeat.errors import ConfigError, ZerobeatError
from zerobeat.midi import NoteOff, NoteOn, parse
from zerobeat.ports.client_connection import MalformedError, parse_request
from zerobeat.ports.midi_in import split_messages
from zerobeat.ports.mirror import read_left
from zerobeat.render import midi_file
from zerobeat.runtime.socket_commands import SocketCommands
from zerobeat.state.backup import read_backup
from zerobeat.state.session import load_session
from zerobeat.state.store import Store
from zerobeat.tuning.scala import parse_kbm, parse_scl

midi_file.MOST_CLOCKS = 2_400  # else a rest of hours in a file of 40 bytes takes seconds

RIG = """\
inputs: {keys: {port: "keys:out"}, feet: {port: "feet:out", plays: false}}
converters:
  octo: {port: "octo:in", converter: {gate_gap_ms: 2}}
  quad: {port: "quad:in", converter: {gate_gap_ms: 2}}
voices:
  reed: {converter: octo, channel_number: 1}
  horn: {converter: octo, channel_number: 2, gate: ignored}
  floor: {converter: quad, channel_number: 1}
clock_from: keys
"""


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="zbfuzz"))
    (folder / "rig.yaml").write_text(RIG)
    return folder


@cache
def _loaded() -> Any:
    return read_rig(_folder() / "rig.yaml")


class _Desk:
    """An engine and its wire; every note-on must get its note-off."""

    def __init__(self) -> None:
        loaded = _loaded()
        self.engine = Engine(loaded.rig, loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self.sounding: set[tuple[str, int, int]] = set()
        self.now_s = 0.0

    def receive(self, message: Any, source: str = "") -> None:
        outputs: list[Any] = []
        self.engine.receive(message, source, self.now_s, outputs)
        self._count(outputs)

    def _count(self, outputs: list[Any]) -> None:
        for name, message in outputs:
            if isinstance(message, NoteOn):
                assert (name, message.channel, message.note) not in self.sounding, "twice on"
                self.sounding.add((name, message.channel, message.note))
            elif isinstance(message, NoteOff):
                self.sounding.remove((name, message.channel, message.note))
        self.wire.put(outputs, self.now_s)
        self.wire.take(self.now_s)

    def end(self) -> None:
        self._count(self.engine.release_all())
        assert not self.sounding, f"still sounds: {self.sounding}"


# ---------------------------------------------------------------- targets


def midi(content: bytes) -> None:
    """A stream of MIDI bytes, cut as a length byte says, into the engine."""
    desk = _Desk()
    at = 0
    while at < len(content):
        length = content[at] & 7
        whole = list(content[at + 1 : at + 1 + length])
        source = "feet" if content[at] & 8 else "keys"
        desk.now_s += (content[at] >> 4) / 50.0
        due_s = desk.engine.wake_at_s
        if due_s is not None and due_s <= desk.now_s:
            outputs: list[Any] = []
            desk.engine.wake(desk.now_s, outputs)
            desk._count(outputs)
        at += 1 + length
        if not whole:
            continue
        for part in split_messages(whole):
            message = parse(part)
            if message is not None:
                desk.receive(message, source)
    desk.end()


def socket_line(content: bytes) -> None:
    """Lines of the control socket into the commands and the engine."""
    desk = _Desk()

    def act(command: Any) -> None:
        desk.receive(command)

    commands = SocketCommands(desk.engine, act)
    for line in content.split(b"\n")[:20]:
        try:
            request = parse_request(line)
        except MalformedError:
            continue
        request.pop("id", None)
        request.pop("zerobeat", None)
        answer = commands.answer(request)
        json.dumps(answer).encode()
        assert len(str(answer)) < 5000
    desk.end()


def _file(content: bytes, name: str) -> Path:
    path = _folder() / name
    path.write_bytes(content)
    return path


def yaml_rig(content: bytes) -> None:
    """A rig; one that loads makes an engine that plays."""
    try:
        loaded = read_rig(_file(content, "a-rig.yaml"))
    except ConfigError as error:
        assert len(error.problems) < 500 and all("\n" not in line for line in error.problems)
        return
    engine = Engine(loaded.rig, loaded.scenes)
    outputs: list[Any] = []
    for source in loaded.rig.inputs:
        engine.receive(NoteOn(0, 60, 100), source.name, 0.0, outputs)
    engine.release_all()


def yaml_kinds(content: bytes) -> None:
    """Scenes, converters, pedalboards, profiles: what a rig names, found by its first byte."""
    kinds = ("scenes", "converters", "pedalboards", "profiles", "scales")
    kind = kinds[content[0] % len(kinds)] if content else kinds[0]
    folder = _folder() / kind
    folder.mkdir(exist_ok=True)
    (folder / ("fuzzed.scl" if kind == "scales" else "fuzzed.yaml")).write_bytes(content[1:])
    text = {
        "scenes": f"{RIG}scenes: [fuzzed]\n",
        "converters": RIG.replace(
            '"octo:in", converter: {gate_gap_ms: 2}', '"o:i", converter: fuzzed'
        ),
        "pedalboards": RIG.replace("plays: false", "pedalboard: fuzzed"),
        "profiles": RIG.replace("channel_number: 2", "channel_number: 2, profile: fuzzed"),
        "scales": f"{RIG}scene: {{title: a, all: {{scale: fuzzed.scl}}}}\n",
    }[kind]
    yaml_rig(text.encode())


def scala(content: bytes) -> None:
    """``.scl``, and with a first byte that is odd ``.kbm``."""
    try:
        if content[:1] and content[0] & 1:
            parse_kbm(content[1:], "a.kbm", parse_scl(b"a\n 2\n 3/2\n 2/1\n", "a.scl"))
        else:
            parse_scl(content[1:], "a.scl")
    except ZerobeatError as error:
        assert "\n" not in str(error)


def song(content: bytes) -> None:
    """A MIDI file, rendered."""
    try:
        midi_file.render(_loaded(), _file(content, "in.mid"), _folder() / "out.mid")
    except ZerobeatError:
        pass


def session(content: bytes) -> None:
    """A session file, and an engine that comes back to it."""
    store = Store(_folder() / "state")
    (_folder() / "state").mkdir(exist_ok=True)
    (_folder() / "state" / "session.json").write_bytes(content)
    rig, scenes = _loaded().rig, _loaded().scenes
    found, _lines = load_session(store, rig)
    engine = Engine(rig, scenes, found.tonight, found.live)
    engine.receive(NoteOn(0, 60, 100), "keys", 0.0, [])
    engine.release_all()


def backup(content: bytes) -> None:
    """A backup's file; what is not packed is packed first, for packed bytes hide everything."""
    if content[:1] != b"\x1f":
        content = gzip.compress(content, 1)
    try:
        read_backup(_file(content, "fuzzed.zerobeat"))
    except ZerobeatError as error:
        assert "\n" not in str(error)


def mirror(content: bytes) -> None:
    """The marks that a crash left."""
    read_left(_file(content, "sounding"))


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (midi, socket_line, yaml_rig, yaml_kinds, scala, song, session, backup, mirror)
}
