"""Random playing with fingers of an MPE keyboard, and with glides, beside all the rest."""

from __future__ import annotations

from dataclasses import replace

from kit.random_playing import NAMES, RIGS, RandomPlaying
from zerobeat.engine import commands
from zerobeat.engine.mpe_zones import CHANNEL_PRESSURE, MpeSettings
from zerobeat.engine.settings import Input, Rig
from zerobeat.midi import ChannelPressure, ControlChange, NoteOn, PitchBend

GRIDS = (
    MpeSettings(pressure_to=CHANNEL_PRESSURE, slide_to=20),
    MpeSettings(7, 7, touch="centred", pressure_to=11),
    None,
)


def _with_fingers(rig: Rig, mpe: MpeSettings | None) -> Rig:
    """Return a rig with an MPE keyboard, whose other keyboards rule glides."""
    inputs = tuple(replace(one, glide_controllers=one.plays) for one in rig.inputs)
    outputs = tuple(
        replace(
            out,
            converter=replace(out.converter, glide_across_notes=out.converter.overlap == "legato"),
        )
        for out in rig.outputs
    )
    grid = Input("grid", "Finger Grid:1", mpe=mpe, glide_controllers=True)
    return replace(rig, inputs=(*inputs, grid), outputs=outputs)


class ExpressivePlaying(RandomPlaying):
    """Fingers, zones, ranges, glides and their controllers, at random."""

    rigs = tuple(_with_fingers(rig, mpe) for rig, mpe in zip(RIGS, GRIDS * 2, strict=False))

    def __init__(self, seed: int, record: bool = False) -> None:
        super().__init__(seed, record)
        self._actions += [
            (40, self._finger),
            (60, self._slide),
            (4, self._zone),
            (10, self._glide),
            (8, self._glide_control),
        ]

    def _look_at_wheels(self) -> None:
        self.checker.wheels_rest = False  # a glide is struck where it begins

    def alive(self) -> None:
        self.play(ControlChange(0, 121, 0), "steps")  # ends what 84 has said, too
        self.play(ControlChange(0, 65, 0), "steps")
        super().alive()

    def _channel(self) -> int:
        return self._random.choice((0, 1, 2, 3, 4, 5, 14, 15))

    def _finger(self) -> None:
        channel, key = self._channel(), self._random.randint(48, 72)
        self._down.add(("grid", channel, key))
        self.play(NoteOn(channel, key, 80), "grid", self._soon())

    def _slide(self) -> None:
        channel, dice = self._channel(), self._random
        message = dice.choice(
            (
                PitchBend(channel, dice.randint(-8192, 8191)),
                PitchBend(channel, dice.randint(-300, 300)),
                ChannelPressure(channel, dice.randint(0, 127)),
                ControlChange(channel, 74, dice.randint(0, 127)),
                ControlChange(channel, 1, dice.randint(0, 127)),
            )
        )
        self.play(message, "grid", self._soon())

    def _zone(self) -> None:
        channel, dice = self._random.choice((0, 15, 2)), self._random
        number = dice.choice((0, 6))
        value = dice.choice((0, 2, 7, 15, 48, 96, 127))
        parts = [(101, 0), (100, number), (6, value)]
        if dice.random() < 0.2:
            parts.pop(dice.randrange(3))
        for controller, part in parts:
            self.play(ControlChange(channel, controller, part), "grid", self._soon())
        down = dice.random() < 0.4
        place = ("grid", channel, 64)
        (self._sustains.add if down else self._sustains.discard)(place)
        self.play(ControlChange(channel, 64, 127 if down else 0), "grid", self._soon())

    def _glide(self) -> None:
        dice = self._random
        change = dice.choice(
            (
                ("glide_ms", dice.choice((0.0, 3.0, 80.0, 500.0, 60_000.0))),
                ("glide_ms", 80.0),
                ("glide", dice.choice(("by_octave", "by_time"))),
                ("glide_shape", dice.choice(("straight", "rc"))),
                ("glide_when", dice.choice(("always", "legato"))),
                ("wheel", dice.choice(("smooth", "stepped"))),
            )
        )
        self.play(commands.ChangeVoice(dice.choice((None, *NAMES[:2])), (change,)))

    def _glide_control(self) -> None:
        (source, channel), dice = self._keyboard(), self._random
        number, value = dice.choice(((5, 0), (5, 20), (65, 0), (65, 127), (84, 60), (84, 50)))
        self.play(ControlChange(channel, number, value), source, self._soon())
