"""Engine and wire of the shipped small case, both converters there, without ports."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.status import Status, picture
from zerobeat.engine.voice_status import VoiceStatus
from zerobeat.engine.wire import Wire
from zerobeat.state.state_directory import load_rig

RIG = Path(__file__).resolve().parents[2] / "profiles/rigs/small-case.yaml"


class SmallCaseHarness:
    """Hears messages and commands, half a second apart."""

    def __init__(self, rig: Path = RIG) -> None:
        loaded = load_rig(rig)
        self.engine = Engine(loaded.rig, loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self.now_s = 0.0
        for output in loaded.rig.outputs:
            self.hear(commands.OutputBack(output.name), "")

    def hear(self, message: Any, source: str = "keys") -> list[tuple[str, bytes]]:
        """Return the bytes that follow at once."""
        outputs: Outputs = []
        self.now_s += 0.5
        self.engine.receive(message, source, self.now_s, outputs)
        self.wire.put(outputs, self.now_s)
        return self.wire.take(self.now_s)

    def picture(self) -> Status:
        return picture(self.engine, self.wire)

    def voice(self, name: str) -> VoiceStatus:
        return next(voice for voice in self.picture().voices if voice.name == name)
