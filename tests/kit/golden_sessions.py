"""Sessions as text: what a player does, through engine and wire, by a counted clock.

A folder of ``tests/engine/sessions`` holds ``in.txt`` (seconds, the input's
name, a message or a command), the rig and its files, and ``out.txt`` (seconds,
the output's name, a message). ``ticks count=96 ms=20`` is that many clocks from
that second on; lines after it may lie between them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

from kit.engine_harness import EngineHarness
from zerobeat import midi
from zerobeat.engine import commands
from zerobeat.engine.ledger import Outputs
from zerobeat.state.state_directory import load_rig

SESSIONS = sorted(Path(__file__).parents[1].glob("engine/sessions/*/in.txt"))
assert SESSIONS, "no golden sessions found"
MESSAGES = {
    re.sub(r"(?<!^)(?=[A-Z])", "_", kind.__name__).lower(): kind
    for kind in (
        midi.NoteOn,
        midi.NoteOff,
        midi.PitchBend,
        midi.ControlChange,
        midi.ProgramChange,
        midi.ChannelPressure,
        midi.PolyPressure,
        midi.System,
    )
}
NAMES = {kind: name for name, kind in MESSAGES.items()}
COMMANDS: dict[str, Callable[..., Any]] = {
    "recall": lambda scene: commands.RecallScene(scene.replace("_", " ")),
    "hold": lambda hold: commands.ChangeScene((("hold", hold),)),
    "lost": commands.OutputLost,
    "back": commands.OutputBack,
    "panic": commands.Panic,
    "change": lambda voice="", **changes: commands.ChangeVoice(
        voice or None, tuple(changes.items())
    ),
    "root": lambda on: commands.RootKey(bool(on)),
    "trigger": commands.TriggerNow,
    "start": lambda: midi.START,
    "continue": lambda: midi.CONTINUE,
    "stop": lambda: midi.STOP,
    "clock": lambda: midi.CLOCK,
    "song_position": midi.SongPosition,
}


def read_line(line: str) -> tuple[float, str, str, dict[str, Any]]:
    at_s, source, kind, *rest = line.split()
    pairs = (pair.split("=", 1) for pair in rest)
    values = {n: int(v) if v.lstrip("-").isdigit() else v for n, v in pairs}
    return float(at_s), source, kind, values


def read_lines(text: str) -> list[tuple[float, str, str, dict[str, Any]]]:
    """Return the events of a session in the order of their times."""
    events = []
    last_s = 0.0
    for line in text.splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        at_s, name, kind, values = read_line(line)
        assert at_s >= last_s, f"{line}: earlier than the line before"
        last_s = at_s
        if kind == "ticks":
            steps = range(values["count"])
            events += [
                (round(at_s + step * values["ms"] / 1000.0, 6), name, "clock", {}) for step in steps
            ]
        else:
            events.append((at_s, name, kind, values))
    return sorted(events, key=lambda event: event[0])


def message_of(kind: str, values: dict[str, Any], folder: Path) -> Any:
    if kind == "reload":
        loaded = load_rig(folder / values["rig"])
        return commands.Reload(loaded.rig, loaded.scenes)
    return (MESSAGES.get(kind) or COMMANDS[kind])(**values)


def written(at_s: float, output: str, message: Any) -> str:
    values = " ".join(f"{f.name}={getattr(message, f.name)}" for f in fields(message))
    if type(message) is midi.NoteOff:
        values = f"channel={message.channel} note={message.note}"
    return f"{at_s:.3f} {output} {NAMES[type(message)]} {values}"


def play(source: Path) -> tuple[str, list[Outputs]]:
    """Play a session; all is released after its last line.

    Returns:
        What left, a message a line, and what the engine made, event by event.
    """
    folder = source.parent
    loaded = load_rig(folder / "rig.yaml")
    case = EngineHarness(loaded.rig, loaded.scenes, connected=False)
    for output in loaded.rig.outputs:
        case.hear(commands.OutputBack(output.name), "", 0.0)
    for at_s, name, kind, values in read_lines(source.read_text(encoding="utf-8")):
        message = message_of(kind, values, folder)
        case.hear(message, name, at_s - case.now_s)
        if type(message) is commands.Reload:
            case.drain()
            case.wire.replace(message.rig.outputs)
    case.drain()
    case.stop()
    assert not case.engine.ledger.sounding()
    return "".join(f"{written(*sent)}\n" for sent in case.sent), case.made
