"""The state of one voice: the keys it holds and what it was last sent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from .chain import Chain
from .glide import Glide
from .ledger import Lane, MovingBend
from .settings import Converter, Hold, Overlap, Voice, VoiceSettings

Source = tuple[str, int]  # (input name, channel)


@dataclass(slots=True, eq=False)
class Held:
    """One key that a voice has: down, or kept by sustain.

    A finger of an MPE zone has its own bend while it is down, and the zone's alone afterwards.

    Attributes:
        key: whose pitch it has: a note of a chord has another one than ``chord_of``, the key that
            was pressed, and by steps of a scale it may lie between two keys.
        latches: a latch may keep it.
    """

    source: Source
    key: float
    velocity: int
    age: int = 0  # counts key-downs; the lower, the older
    down: bool = True
    shift_cents: float = 0.0  # beside the wheel
    wheel_from: Source | None = None  # None: its own source
    chord_of: int | None = None
    latches: bool = False

    @property
    def pressed(self) -> float:
        """Return the key that went down."""
        return self.key if self.chord_of is None else self.chord_of


class Sample(NamedTuple):
    """What hold ``sample`` read at a trigger."""

    key: float
    wheel_cents: float  # heard with a stepped wheel; a smooth one stays live


class VoiceState:
    """One voice while the daemon runs.

    Attributes:
        chain: the settings in force, for the next note.
        sounding: the chain that the sounding note was struck with.
        held: keys down or kept by sustain, oldest first.
        playing: the key whose pitch the voice has; a drone keeps it after
            note-off, other voices through their tail.
        note: the number last sent; it sounds while ``lane.notes`` has it.
        bend: the bend last asked for, signed; None until the first.
        settings: what is in force, with what pedals add (see ``pedals.layers``).
        base: what is in force without it.
        waiting: settings that have not landed, and the hold they wait under.
        base_waiting: what waits without what pedals add; None if that has landed.
        samples: the hold in force is ``sample``: ``sampled`` gives the pitch, not the
            key, and is read anew when ``read_due``; None until the first reading.
        sampled_finger: the key that was read, if it has a bend of its own.
        glide: the way to its pitch; None if it is there. After note-off it stays where the
            voice was left, for the next glide to begin there.
        step_s: when the next step of the glide is due.
        moving_bend: what a step of the glide puts out.
    """

    __slots__ = (
        "voice",
        "next_voice",
        "lane",
        "settings",
        "base",
        "base_waiting",
        "chain",
        "sounding",
        "held",
        "playing",
        "degree",
        "target_cents",
        "commanded_cents",
        "note",
        "bend",
        "tail_until_s",
        "waiting",
        "waiting_hold",
        "wheel_clamped",
        "out_of_reach",
        "move_waits",
        "clamps",
        "misses",
        "samples",
        "sampled",
        "read_due",
        "regate_due",
        "overlap",
        "rotates",
        "left_cents",
        "sampled_finger",
        "glide",
        "step_s",
        "moving_bend",
        "glides_missed",
        "glides_across",
        "settle_s",
        "gate_gap_s",
    )

    def __init__(self, voice: Voice, lane: Lane, chain: Chain) -> None:
        self.voice = voice
        self.next_voice: Voice | None = None  # from a reload, until the channel is silent
        self.lane = lane
        self.settings: VoiceSettings = chain.settings
        self.base: VoiceSettings = chain.settings
        self.base_waiting: VoiceSettings | None = None
        self.chain = chain
        self.sounding = chain
        self.held: list[Held] = []
        self.playing: Held | None = None
        self.degree: int | None = None
        self.target_cents: float | None = None
        self.commanded_cents: float | None = None
        self.note: int | None = None
        self.bend: int | None = None
        self.tail_until_s = -1.0
        self.waiting: VoiceSettings | None = None
        self.waiting_hold: Hold = "none"
        self.wheel_clamped = False
        self.out_of_reach = False  # the key's pitch is beyond the converter: not sounded
        self.move_waits = False  # a change is beyond the bend: it waits for the next note
        self.clamps = 0
        self.misses = 0
        self.samples = False
        self.sampled: Sample | None = None
        self.read_due = False
        self.regate_due = False  # the gate is to open again as the key is read
        self.overlap: Overlap = "unsafe"  # what its converter does with a second note
        self.rotates = False  # its zone gives each key another voice
        self.left_cents = 0.0  # bend of the sounding note with the wheel at rest
        self.sampled_finger: Held | None = None
        self.glide: Glide | None = None
        self.step_s = 0.0
        self.moving_bend: MovingBend | None = None
        self.glides_missed = 0  # glides that the bend could not reach
        self.settle_s = self.gate_gap_s = 0.0  # of its converter
        self.glides_across = False  # a glide out of the bend's reach changes the number

    def use_converter(self, converter: Converter) -> None:
        """Note what the voice's converter takes."""
        self.overlap = converter.overlap
        self.glides_across = converter.glide_across_notes and converter.overlap == "legato"
        self.settle_s, self.gate_gap_s = converter.settle_s, converter.gate_gap_s

    @property
    def name(self) -> str:
        return self.voice.name

    @property
    def wanted(self) -> VoiceSettings:
        """Return the settings last asked for, with what pedals add."""
        return self.waiting or self.settings

    @property
    def wanted_base(self) -> VoiceSettings:
        """Return the settings last asked for, without what pedals add."""
        return self.base_waiting or self.base

    @property
    def gate(self) -> bool:
        """True while a note-on of this voice has no note-off yet."""
        return bool(self.lane.notes)

    def heard(self, now_s: float) -> bool:
        """True if a move of the wheel should reach this voice."""
        return bool(self.lane.notes) or (
            self.playing is not None and (self.voice.gate_ignored or now_s < self.tail_until_s)
        )

    def find(self, source: Source, key: float) -> Held | None:
        """Return the held key of a source, if the voice has it."""
        for held in self.held:
            chord_of = held.chord_of
            if (held.key if chord_of is None else chord_of) == key and held.source == source:
                return held
        return None

    def chosen(self) -> Held | None:
        """Return the key that the priority picks among those held; of equal keys the newest."""
        held = self.held
        if not held:
            return None
        priority = self.settings.priority
        if priority == "last" or len(held) == 1:
            return held[-1]
        if priority == "lowest":
            return min(reversed(held), key=_key)
        return max(reversed(held), key=_key)


def _key(held: Held) -> float:
    return held.key
