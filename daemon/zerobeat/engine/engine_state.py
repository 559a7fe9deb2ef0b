"""What the parts of the engine share: one plain object, which decides nothing."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import replace

from ..errors import CommandError
from .chain import Chain
from .glide_controls import GlideControls
from .ledger import Ledger
from .pedals.layers import Layers
from .settings import Hold, Input, Output, Rig, Scene, Tonight, TouchUp, VoiceSettings
from .voice import Held, Source, VoiceState


class EngineState:
    """The state of a running engine.

    Attributes:
        rig: what is plugged in.
        now_s: the time of the event that is at work; it never runs backwards.
        counts: what happened how often: messages dropped by class, faults, refusals.
        ledger: what sounds where.
        voices: by name, in the rig's order.
        current: the voice that an event is at work on; released if the event fails.
        bank: the stored scenes, by name.
        base_scene: the scene's own part in force, with its name; ``scene`` with what pedals add.
        waiting_scene: a scene's part that has not landed, or None, and the hold it waits under.
        base_tonight: the global settings that are kept; ``tonight`` with what pedals add.
        follow: what follow takes out of voices, in place of their touch-up by hand.
        follow_off: voices that the player has taken from follow, "all" for all; kept.
        layers: what pedals add while they are down.
        keys: the voices that each key down was given to.
        sustained: inputs and channels whose own sustain pedal is down.
        presses: keys pressed so far.
        acts: commands and presses of pedals carried out so far.
        pedal_moved_s: when a pedal last moved a setting.
        wheels: cents by source; a missing one is at rest.
        present: the outputs that are there.
        gliding: voices that glide, by output, the one first that has waited longest.
        glide_controls: what controllers have said about glides, by input and channel.
        managers: the manager's channel of each member channel of the MPE zones in force.
        zone_places: all channels of a zone, by its manager's.
        centred: inputs on which a finger's place at the touch is its key's pitch.
    """

    __slots__ = (
        "rig",
        "now_s",
        "counts",
        "ledger",
        "voices",
        "current",
        "bank",
        "base_scene",
        "scene",
        "waiting_scene",
        "waiting_hold",
        "base_tonight",
        "tonight",
        "follow",
        "follow_off",
        "layers",
        "keys",
        "sustained",
        "presses",
        "acts",
        "pedal_moved_s",
        "wheels",
        "present",
        "gliding",
        "glide_controls",
        "managers",
        "zone_places",
        "centred",
    )

    def __init__(
        self, rig: Rig, scenes: tuple[Scene, ...], tonight: Tonight, unsaved: Scene | None
    ) -> None:
        self.rig = rig
        self.now_s = 0.0
        self.counts: Counter[str] = Counter()
        self.ledger = Ledger()
        self.voices: dict[str, VoiceState] = {}
        self.current: VoiceState | None = None
        self.bank = {scene.name: scene for scene in scenes}
        if unsaved is not None:
            self.base_scene = unsaved
        elif rig.start_scene in self.bank:
            self.base_scene = self.bank[rig.start_scene or ""]
        else:
            self.base_scene = scenes[0] if scenes else Scene()
        self.scene = self.base_scene
        self.waiting_scene: Scene | None = None
        self.waiting_hold: Hold = "none"
        self.base_tonight = self.tonight = tonight
        self.follow: dict[str, TouchUp] = {}
        self.follow_off: frozenset[str] = frozenset()
        self.layers = Layers()
        self.keys: dict[tuple[Source, int], list[VoiceState]] = {}
        self.sustained: set[Source] = set()
        self.presses = 0
        self.acts = 0
        self.pedal_moved_s = float("-inf")
        self.wheels: dict[Source, float] = {}
        self.present: set[str] = set()
        self.gliding: dict[str, deque[VoiceState]] = {}
        self.glide_controls: dict[Source, GlideControls] = {}
        self.managers: dict[Source, Source] = {}
        self.zone_places: dict[Source, tuple[Source, ...]] = {}
        self.centred: frozenset[str] = frozenset()

    # ------------------------------------------------------------ looking up

    def voice(self, name: str) -> VoiceState:
        """Return a voice by name.

        Raises:
            CommandError: the rig does not have it.
        """
        found = self.voices.get(name)
        if found is None:
            raise CommandError(f"voice: found {name!r}; allowed: {', '.join(self.voices)}")
        return found

    def names(self, voice: str | None) -> frozenset[str]:
        """Return the name of one voice, or of all with None.

        Raises:
            CommandError: the rig does not have it.
        """
        return frozenset(self.voices) if voice is None else frozenset((self.voice(voice).name,))

    def output(self, name: str) -> Output:
        """Return an output of the rig by name."""
        return next(output for output in self.rig.outputs if output.name == name)

    def input(self, name: str) -> Input | None:
        """Return an input of the rig by name, or None."""
        return next((source for source in self.rig.inputs if source.name == name), None)

    def settings_in(self, scene: Scene, voice: str) -> VoiceSettings:
        """Return what a scene says of a voice.

        One that was made of live settings while the rig had no such voice says nothing: what is
        stored under its name does.
        """
        return scene.voices.get(voice) or self.bank.get(scene.name, scene).of(voice)

    # ------------------------------------------------------------ derived

    def followed(self, tonight: Tonight) -> Tonight:
        """Return global settings with what follow takes out in them."""
        if not self.follow:
            return tonight
        return replace(tonight, touch_up={**tonight.touch_up, **self.follow})

    def wheel_cents(self, held: Held) -> float:
        """Return the bend of a key: its wheel, or its finger's place and its zone's wheel."""
        return self.wheels.get(held.wheel_from or held.source, 0.0) + held.shift_cents

    def smooth_cents(self, state: VoiceState, chain: Chain) -> float:
        """Return what wheel or finger add to a pitch after the scale, with some settings."""
        held = state.sampled_finger or state.playing
        if held is None or chain.settings.wheel != "smooth":
            return 0.0
        return self.wheel_cents(held)

    def goal_cents(self, state: VoiceState) -> float | None:
        """Return the pitch at which a voice is to be heard, a glide being over; None if none."""
        if state.target_cents is None:
            return None
        chain = state.sounding
        return chain.sounding(state.target_cents + self.smooth_cents(state, chain))

    def sounding_cents(self, state: VoiceState) -> float | None:
        """Return the pitch at which a voice is to be heard now, or was left; None if none."""
        cents = self.goal_cents(state)
        if cents is None or state.glide is None:
            return cents
        return cents + state.glide.cents_at(self.now_s)

    @property
    def wanted_scene(self) -> Scene:
        """Return the scene's own part that waits, else the one in force."""
        return self.waiting_scene or self.scene

    @property
    def something_waits(self) -> bool:
        """Return whether any setting has not landed."""
        return self.waiting_scene is not None or any(
            state.waiting is not None for state in self.voices.values()
        )

    @property
    def root_voices(self) -> frozenset[str]:
        """Return the voices whose root the next key sets, instead of sounding."""
        return self.layers.root_voices(self.voices)

    def hold_of(self, state: VoiceState) -> Hold:
        """Return the hold in force for a voice."""
        return state.settings.hold or self.scene.hold

    def plays(self, source: Source) -> bool:
        """Return whether keys of an input and channel may sound voices."""
        found = self.input(source[0])
        return found is not None and found.plays
