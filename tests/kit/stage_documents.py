"""What a set on stage must send, worked out anew from the player's files.

Nothing of zerobeat is used: the files are read by a YAML parser, the tracking curve is SciPy's
monotone cubic through the readings, its inverse a root. ``StageModel`` is told what the player
does and keeps, for each converter channel, the notes that must come and their bends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

SCALES = {  # in cents; the last is the period
    "major": (0, 200, 400, 500, 700, 900, 1100, 1200),
    "dorian": (0, 200, 300, 500, 700, 900, 1000, 1200),
}
NOTES = {"C": 60, "D": 62, "A": 69}  # a root without an octave is the one from middle C up

Channel = tuple[str, int]  # converter, channel from 0


class VoiceDocument:
    """A voice of the rig, with its profile."""

    def __init__(self, name: str, rig: dict[str, Any], profile: dict[str, Any]) -> None:
        own = rig["voices"][name]
        converter = rig["converters"][own["converter"]]["converter"]
        self.name = name
        self.channel: Channel = (own["converter"], own["channel_number"] - 1)
        self.range_cents = 100.0 * converter["bend_range_semitones"]
        self.lowest, self.highest = converter["lowest_note"], converter["highest_note"]
        self.panel_cents = 1200.0 * own.get("panel_octaves", 0)
        sent = [100.0 * reading["note"] for reading in profile["readings"]]
        errors = [reading["cents"] for reading in profile["readings"]]
        self._ends = sent[0], sent[-1]
        self._curve = PchipInterpolator(sent, [x + e for x, e in zip(sent, errors, strict=True)])

    def commanded(self, sounding_cents: float, raw: bool) -> float:
        """Return the pitch to send so that another is heard."""
        wanted = sounding_cents - self.panel_cents
        if raw:
            return wanted
        return float(brentq(lambda x: self._curve(x) - wanted, *self._ends, xtol=1e-9))

    def nearest(self, commanded_cents: float) -> int:
        number = math.ceil(commanded_cents / 100.0 - 0.5)
        return min(self.highest, max(self.lowest, number))


def read_documents(folder: Path) -> tuple[dict[str, VoiceDocument], dict[str, dict[str, Any]]]:
    """Return the voices of ``rig.yaml`` and the scenes it lists, by title."""
    rig = yaml.safe_load((folder / "rig.yaml").read_text())
    voices = {
        name: VoiceDocument(
            name, rig, yaml.safe_load((folder / f"profiles/{name}.yaml").read_text())
        )
        for name in rig["voices"]
    }
    scenes = [
        yaml.safe_load((folder / f"scenes/{name}.yaml").read_text()) for name in rig["scenes"]
    ]
    return voices, {scene["title"]: scene for scene in scenes}


def snapped(settings: dict[str, Any], key: int) -> float:
    """Return the pitch of the scale that a key falls on, a tie going down."""
    scale = settings.get("scale", "continuous")
    if scale == "continuous":
        return 100.0 * key
    cents = SCALES[scale] if isinstance(scale, str) else tuple(scale)
    root = NOTES[settings.get("root", "C")]
    period, inside = cents[-1], cents[:-1]
    ladder = [
        100.0 * root + period * octave + step for octave in range(-9, 9) for step in sorted(inside)
    ]
    nearest = min(range(len(ladder)), key=lambda at: (abs(ladder[at] - 100.0 * key), ladder[at]))
    return ladder[nearest + settings.get("degrees", 0)]


@dataclass
class SentNote:
    """A note that must come, or has come: its number and its bends in order."""

    number: int
    bends: list[float]
    ended: bool = False


@dataclass
class ModelVoice:
    document: VoiceDocument
    settings: dict[str, Any]
    wanted: dict[str, Any] | None = None  # waits for this voice's next note
    key: int | None = None
    number: int | None = None
    # Of the note that sounds: its settings, its share of the transposition, and whether a key
    # keeps it down or only the sustain pedal.
    sounds_by: dict[str, Any] = field(default_factory=dict)
    transposed_cents: float = 0.0
    sustained: bool = False


class StageModel:
    """Follows what the player does and keeps the notes that must come."""

    def __init__(self, folder: Path) -> None:
        self.documents, self.scenes = read_documents(folder)
        self.title = next(iter(self.scenes))
        self.hold: str = self.scenes[self.title]["hold"]
        self.voices = {
            name: ModelVoice(document, self._of_scene(self.title, name))
            for name, document in self.documents.items()
        }
        self.zones = {"keys": [n for n in self.voices if n != "bass"], "steps": ["bass"]}
        self.notes: dict[Channel, list[SentNote]] = {
            document.channel: [] for document in self.documents.values()
        }
        self.wheel_cents = 0.0
        self.transpose_cents = 0.0
        self.pedal_cents = 0.0
        self.concert_a_hz = 440.0
        self.raw: set[str] = set()
        self.sustain = False
        self.scene_waits: str | None = None
        self.settings_wait: dict[str, dict[str, Any]] = {}
        self.away: set[str] = set()  # converters

    def _of_scene(self, title: str, voice: str) -> dict[str, Any]:
        scene = self.scenes[title]
        return {**scene.get("all", {}), **scene.get("voices", {}).get(voice, {})}

    # ------------------------------------------------------------ pitch

    def _commanded(self, voice: ModelVoice, wheel_cents: float) -> float:
        assert voice.key is not None
        own = voice.sounds_by
        pitch = snapped(own, voice.key) + wheel_cents
        pitch += 1200.0 * own.get("octaves", 0) + 100.0 * own.get("semitones", 0)
        pitch += own.get("detune_cents", 0.0) + voice.transposed_cents
        pitch += 1200.0 * math.log2(self.concert_a_hz / 440.0)
        beats = own.get("detune_beats_hz", 0.0)
        hertz = 440.0 * 2.0 ** ((pitch - 6900.0) / 1200.0)
        pitch += max(-50.0, min(50.0, 1200.0 * math.log2(1.0 + beats / hertz)))
        return voice.document.commanded(pitch, voice.document.name in self.raw)

    def _bend(self, voice: ModelVoice) -> float:
        assert voice.number is not None
        wheel_cents = self.wheel_cents if voice.document.name in self.zones["keys"] else 0.0
        left = self._commanded(voice, wheel_cents) - 100.0 * voice.number
        return left * 8192.0 / voice.document.range_cents

    def _moved(self, voice: ModelVoice) -> None:
        """A sounding voice goes to where it belongs now, if its bend reaches so far."""
        if voice.number is None:
            return
        bend = self._bend(voice)
        if abs(bend) <= 8192.0:
            self.notes[voice.document.channel][-1].bends.append(bend)

    # ------------------------------------------------------------ what the player does

    def key_down(self, source: str, key: int) -> None:
        for name in self.zones[source]:
            voice = self.voices[name]
            self._end(voice)
            if voice.wanted is not None:
                voice.settings, voice.wanted = voice.wanted, None
            voice.key, voice.sustained = key, False
            if voice.document.channel[0] in self.away:
                continue
            voice.sounds_by = voice.settings
            voice.transposed_cents = self.transpose_cents + self.pedal_cents
            rest = self._commanded(voice, 0.0)
            voice.number = voice.document.nearest(rest)
            note = SentNote(voice.number, [self._bend(voice)])
            self.notes[voice.document.channel].append(note)

    def key_up(self, source: str, key: int) -> None:
        for name in self.zones[source]:
            voice = self.voices[name]
            if voice.key == key and self.sustain:
                voice.sustained = True
            elif voice.key == key:
                self._end(voice)

    def _end(self, voice: ModelVoice) -> None:
        if voice.number is not None:
            self.notes[voice.document.channel][-1].ended = True
        voice.key = voice.number = None

    def sustain_pedal(self, down: bool) -> None:
        self.sustain = down
        for voice in self.voices.values():
            if not down and voice.sustained:
                voice.sustained = False
                self._end(voice)

    def wheel(self, cents: float) -> None:
        self.wheel_cents = cents
        for name in self.zones["keys"]:
            self._moved(self.voices[name])

    def recall(self, title: str) -> None:
        if self.hold == "trigger":
            self.scene_waits = title
            self.settings_wait = {}
        else:
            self._use_scene(title, at_once=self.hold == "none")

    def _use_scene(self, title: str, at_once: bool) -> None:
        self.title = title
        self.hold = self.scenes[title]["hold"]
        for name, voice in self.voices.items():
            self._use(voice, self._of_scene(title, name), at_once)

    def _use(self, voice: ModelVoice, settings: dict[str, Any], at_once: bool) -> None:
        if not at_once:
            voice.wanted = settings
            return
        voice.settings, voice.wanted = settings, None
        if voice.number is None:
            return
        before = voice.sounds_by, voice.transposed_cents
        voice.sounds_by = settings
        voice.transposed_cents = self.transpose_cents + self.pedal_cents
        if abs(self._bend(voice)) > 8192.0:  # waits for the next note
            voice.sounds_by, voice.transposed_cents = before
        else:
            self._moved(voice)

    def set(self, name: str, setting: str, value: Any) -> None:
        voice = self.voices[name]
        if self.hold == "trigger":
            waits = self.settings_wait.setdefault(name, {})
            waits[setting] = value
        else:
            base = voice.wanted or voice.settings
            self._use(voice, {**base, setting: value}, self.hold == "none")

    def bar(self) -> None:
        """What waits for a trigger lands."""
        if self.scene_waits is not None:
            title, self.scene_waits = self.scene_waits, None
            self._use_scene(title, at_once=True)
        for name, changes in self.settings_wait.items():
            voice = self.voices[name]
            self._use(voice, {**voice.settings, **changes}, at_once=True)
        self.settings_wait = {}

    def concert_a(self, hertz: float) -> None:
        self.concert_a_hz = hertz
        for voice in self.voices.values():
            self._moved(voice)

    def bypass(self, name: str, on: bool) -> None:
        (self.raw.add if on else self.raw.discard)(name)
        self._moved(self.voices[name])

    def unplug(self, converter: str) -> None:
        self.away.add(converter)
        for voice in self.voices.values():
            if voice.document.channel[0] == converter:
                self._end(voice)

    def unplug_keys(self) -> None:
        for name in self.zones["keys"]:
            self._end(self.voices[name])

    def end_all(self) -> None:
        """Killed: what sounds is released by the next start."""
        for voice in self.voices.values():
            self._end(voice)
