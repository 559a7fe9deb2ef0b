"""The commands: what ``Engine.receive`` takes besides MIDI, as frozen values.

A port, a pedal or a client of the socket makes one of these; the engine
answers with outputs. Names that the rig does not have raise ``CommandError``
and change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..tuning.tracking import TrackingCurve
from .pedals.bindings import Learned
from .settings import Rig, Scene, TouchUp


@dataclass(frozen=True, slots=True)
class RecallScene:
    """Make a scene the wanted one; it lands as the hold says."""

    name: str


@dataclass(frozen=True, slots=True)
class RecallProgram:
    """Recall the scene of a program (0 to 127) and a bank (14 bits; None: any)."""

    program: int
    bank: int | None = None


@dataclass(frozen=True, slots=True)
class StepScene:
    """Recall the scene so many steps on in the set list, from the one that waits, else plays."""

    steps: int = 1


@dataclass(frozen=True, slots=True)
class SetList:
    """Tonight's order of scenes, by name; empty gives back the rig's."""

    scenes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ChangeVoice:
    """Change fields of ``VoiceSettings`` of one voice, or of all with ``voice`` None."""

    voice: str | None
    changes: tuple[tuple[str, Any], ...]


@dataclass(frozen=True, slots=True)
class ChangeScene:
    """Change fields of the live ``Scene``: hold, zones, triggers, regate, bars."""

    changes: tuple[tuple[str, Any], ...]


@dataclass(frozen=True, slots=True)
class ChangeTonight:
    """Concert pitch, heard at once, or global transposition, from each next note."""

    concert_a_hz: float | None = None
    transpose_semitones: int | None = None
    transpose_cents: float | None = None
    transpose_degrees: int | None = None


@dataclass(frozen=True, slots=True)
class SetTouchUp:
    voice: str
    touch_up: TouchUp


@dataclass(frozen=True, slots=True)
class Follow:
    """What follow takes out of a voice: the whole drift, in place of the touch-up by hand.

    It is heard from the next note on. A sounding note is moved by ``sounding_cents`` alone, sharp
    drift positive. With ``touch_up`` None the touch-up by hand is in force again.
    """

    voice: str
    touch_up: TouchUp | None
    sounding_cents: float = 0.0


@dataclass(frozen=True, slots=True)
class Bypass:
    """Play a voice, or all with ``voice`` None, without correction.

    ``keep_touch_up`` leaves the touch-up in; without it no correction at all is left.
    """

    voice: str | None
    on: bool
    keep_touch_up: bool = False


@dataclass(frozen=True, slots=True)
class Mute:
    voice: str
    on: bool


@dataclass(frozen=True, slots=True)
class Solo:
    voice: str
    on: bool


@dataclass(frozen=True, slots=True)
class TriggerNow:
    """A command or a pedal that ends the wait of hold ``trigger`` or ``sample``."""


@dataclass(frozen=True, slots=True)
class RootKey:
    """While on, a key sets the root of a voice, or of all with ``voice`` None, and is silent."""

    on: bool
    voice: str | None = None


@dataclass(frozen=True, slots=True)
class CancelWaiting:
    """Drop what waits."""


@dataclass(frozen=True, slots=True)
class Panic:
    """Release all by single note-offs, then channel messages, then bends restored."""


@dataclass(frozen=True, slots=True)
class PlayRaw:
    """For measuring: sound just this note and bend, with no correction.

    A voice that sounds the note already is moved by bend; ``strike`` strikes it again.
    """

    voice: str
    note: int
    bend_cents: float = 0.0
    velocity: int = 100
    strike: bool = False


@dataclass(frozen=True, slots=True)
class PlayPitch:
    """For measuring: sound a written pitch, corrected by profile and touch-up alone."""

    voice: str
    pitch_cents: float
    velocity: int = 100
    strike: bool = False


@dataclass(frozen=True, slots=True)
class ReleaseVoice:
    """For measuring: close a voice's gate; with ``voice`` None, end the run."""

    voice: str | None = None


@dataclass(frozen=True, slots=True)
class SceneStored:
    """A scene is on the disk: this is what a recall takes from now on.

    ``of`` is the scene whose live settings they were; what plays takes the
    stored scene's name if it is still that one. None leaves what plays alone.
    """

    scene: Scene
    of: str | None = None


@dataclass(frozen=True, slots=True)
class Revert:
    """Drop changes since the recall: want the stored scene again, as the hold says."""


@dataclass(frozen=True, slots=True)
class Undo:
    """Want again what was wanted before the last change of a setting, as the hold says."""


@dataclass(frozen=True, slots=True)
class UseProfile:
    """Correct a voice by another profile: at once where it is silent, else from its next note."""

    voice: str
    curve: TrackingCurve | None
    note_errors_cents: tuple[float, ...] | None = None
    stale: str = ""


@dataclass(frozen=True, slots=True)
class SourceLost:
    """An input vanished, overflowed or fell silent: its keys are up."""

    input: str


@dataclass(frozen=True, slots=True)
class OutputLost:
    """An output vanished: nothing reaches it until ``OutputBack``."""

    output: str


@dataclass(frozen=True, slots=True)
class OutputBack:
    """An output was connected, or connected again: note-offs, bend range, bends, start keys."""

    output: str


@dataclass(frozen=True, slots=True)
class UseLearned:
    """All the bindings that ``learn`` wrote."""

    learned: tuple[Learned, ...]


@dataclass(frozen=True, slots=True)
class LightsBack:
    """A pedalboard's lights were connected (again), and are dark: all are sent."""

    input: str


@dataclass(frozen=True, slots=True)
class LightsLost:
    input: str


@dataclass(frozen=True, slots=True)
class Reload:
    """A new rig and scenes, read and checked elsewhere."""

    rig: Rig
    scenes: tuple[Scene, ...]


Command = (
    RecallScene
    | RecallProgram
    | StepScene
    | SetList
    | ChangeVoice
    | ChangeScene
    | ChangeTonight
    | SetTouchUp
    | Follow
    | Bypass
    | Mute
    | Solo
    | TriggerNow
    | RootKey
    | CancelWaiting
    | Panic
    | PlayRaw
    | PlayPitch
    | ReleaseVoice
    | SceneStored
    | Revert
    | Undo
    | UseProfile
    | SourceLost
    | OutputLost
    | OutputBack
    | UseLearned
    | LightsBack
    | LightsLost
    | Reload
)
