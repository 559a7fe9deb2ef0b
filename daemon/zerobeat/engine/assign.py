"""Which voices take a key: zones, rotation and stealing."""

from __future__ import annotations

from collections.abc import Sequence

from .engine_state import EngineState
from .settings import Zone
from .voice import Source, VoiceState


class Assigner:
    """Answers who takes a key, with the zones in force.

    Muted voices, and those that are not soloed while any is, take no new key.
    """

    def __init__(self, shared: EngineState) -> None:
        self._shared = shared
        self.refresh()

    def refresh(self) -> None:
        """Read a rig's inputs, outputs and voices anew; rotation begins from the first voice."""
        rig = self._shared.rig
        self._playing_inputs = frozenset(i.name for i in rig.inputs if i.plays)
        self._passed = frozenset(
            channel for output in rig.outputs for channel in output.pass_channels
        )
        self._last: dict[int, int] = {}  # zone index -> place last taken
        self._found: dict[tuple[Source, int], Sequence[tuple[int, Zone]]] = {}
        self.use()

    def use(self) -> None:
        """Read the zones, solo and mute in force; keys that are down stay where they are."""
        voices = self._shared.voices
        zones = self._shared.scene.zones or (Zone(tuple(voices)),)
        self._zones = zones
        self._pools = [
            [voices[name] for name in dict.fromkeys(zone.voices) if self._free_to_play(name)]
            for zone in zones
        ]
        self._found.clear()
        for state in voices.values():
            state.rotates = any(
                zone.assign == "rotate" and state.voice.name in zone.voices for zone in zones
            )

    def _free_to_play(self, name: str) -> bool:
        tonight = self._shared.tonight
        if name not in self._shared.voices or name in tonight.mute:
            return False
        # A voice that a reload took away is heard no more, and silences no other.
        soloed = tonight.solo & self._shared.voices.keys()
        return not soloed or name in soloed

    def takers(self, source: Source, key: int) -> list[VoiceState]:
        """Return the voices that take a key; a rotating zone gives one.

        A voice it returns from a rotating zone may hold another key: that key
        is stolen and does not come back by itself.
        """
        place = (source, key)
        zones = self._found.get(place)
        if zones is None:
            zones = self._found[place] = self._zones_of(source, key)
        if len(zones) == 1 and zones[0][1].assign == "unison":
            return self._pools[zones[0][0]]
        taken: list[VoiceState] = []
        for index, zone in zones:
            if zone.assign == "unison":
                taken += [state for state in self._pools[index] if state not in taken]
            else:
                state = self._rotate(index, source, key)
                if state is not None and state not in taken:
                    taken.append(state)
        return taken

    def voices_of(self, source: Source) -> list[VoiceState]:
        """Return the voices whose zones hear a source, whatever the key."""
        heard: list[VoiceState] = []
        for zone, pool in zip(self._zones, self._pools, strict=True):
            if self._hears(zone, source):
                heard += [state for state in pool if state not in heard]
        return heard

    def _hears(self, zone: Zone, source: Source) -> bool:
        name, channel = source
        if name not in self._playing_inputs or channel in self._passed:
            return False
        if zone.inputs and name not in zone.inputs:
            return False
        # A finger of an MPE zone plays where its manager's channel does.
        own = self._shared.managers.get(source, source)[1]
        return not zone.channels or channel in zone.channels or own in zone.channels

    def _zones_of(self, source: Source, key: int) -> list[tuple[int, Zone]]:
        return [
            (index, zone)
            for index, zone in enumerate(self._zones)
            if self._hears(zone, source) and zone.lowest_key <= key <= zone.highest_key
        ]

    def _rotate(self, index: int, source: Source, key: int) -> VoiceState | None:
        pool = self._pools[index]
        if not pool:
            return None
        own = self._own(pool, source, key)
        if own is not None:
            return own
        start = self._last.get(index, -1) + 1
        for step in range(len(pool)):
            place = (start + step) % len(pool)
            if not pool[place].held:
                self._last[index] = place
                return pool[place]
        place = min(
            range(len(pool)), key=lambda at: (pool[at].held[-1].down, pool[at].held[-1].age)
        )
        self._last[index] = place
        return pool[place]

    def _own(self, pool: Sequence[VoiceState], source: Source, key: int) -> VoiceState | None:
        """Return the voice on which a key that is struck again sounded last."""
        for state in pool:
            if state.find(source, key) is not None:
                return state
        for state in pool:
            playing = state.playing
            if (
                not state.held
                and playing is not None
                and playing.key == key
                and playing.source == source
            ):
                return state
        if self._shared.managers:
            return self._own_of_zone(pool, source, key)
        return None

    def _own_of_zone(
        self, pool: Sequence[VoiceState], source: Source, key: int
    ) -> VoiceState | None:
        """Return the voice of a key that another finger of the zone played and has left."""
        managers = self._shared.managers
        zone = managers.get(source, source)
        for state in pool:
            held = state.held[-1] if state.held else state.playing
            if (
                held is not None
                and held.key == key
                and not (state.held and held.down)
                and managers.get(held.source, held.source) == zone
            ):
                return state
        return None
