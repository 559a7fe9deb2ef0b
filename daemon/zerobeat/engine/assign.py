"""Which voices take a key: zones, rotation and stealing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from .chain import Chain
from .engine_state import EngineState
from .settings import Zone
from .voice import Source, VoiceState


class Assigner:
    """Answers who takes a key, with the zones in force.

    Muted voices, and those that are not soloed while any is, take no new key.

    Attributes:
        special: some zone has a chord or a latch.
        responds: some voice has curves of its own.
        chord: the key that each voice sounds that ``takers`` gave a note of a chord.
        latching: the voices of ``takers`` whose key a latch may keep.
    """

    def __init__(self, shared: EngineState) -> None:
        self._shared = shared
        self.chord: dict[VoiceState, float] = {}
        self.latching: set[VoiceState] = set()
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
        self.special = any(zone.chord or zone.latch for zone in zones)
        self.responds = any(
            (state.next_voice or state.voice).response is not None for state in voices.values()
        )
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
        is stolen and does not come back by itself. Where zones are ``special``,
        ``chord`` and ``latching`` say more of the voices.
        """
        place = (source, key)
        zones = self._found.get(place)
        if zones is None:
            zones = self._found[place] = self._zones_of(source, key)
        if self.special:
            return self._special_takers(zones, source, key)
        if len(zones) == 1 and zones[0][1].assign == "unison":
            return self._pools[zones[0][0]]
        return self._takers(zones, source, key)

    def _special_takers(
        self, zones: Sequence[tuple[int, Zone]], source: Source, key: int
    ) -> list[VoiceState]:
        """Return the voices that take a key, of which some may sound a chord or latch."""
        self.chord.clear()
        self.latching.clear()
        taken: list[VoiceState] = []
        for index, zone in zones:
            if zone.chord:
                found = self._spread(index, zone, source, key, taken)
            else:
                found = [s for s in self._takers([(index, zone)], source, key) if s not in taken]
            taken += found
            if zone.latch:
                self.latching.update(found)
        return taken

    def _spread(
        self, index: int, zone: Zone, source: Source, key: int, taken: Sequence[VoiceState]
    ) -> list[VoiceState]:
        """Give each note of a chord a voice, as long as there are some."""
        free = [state for state in self._pools[index] if state not in taken]
        found: list[VoiceState] = []
        for interval in zone.chord:
            if not free:
                break
            sounding = {state: self._chord_key(state, zone, key, interval) for state in free}
            state = self._own_of_chord(free, source, key, sounding)
            if state is None:
                state = self._next(index, free)
            free.remove(state)
            found.append(state)
            self.chord[state] = sounding[state]
        return found

    def _chord_key(self, state: VoiceState, zone: Zone, key: int, interval: int) -> float:
        """Return the key that a voice sounds in a chord."""
        if zone.chord_in == "semitones":
            return key + interval
        chain = state.chain
        if state.waiting is not None and state.waiting_hold == "note":  # it lands with this key
            chain = Chain(state.voice, state.waiting, self._shared.tonight)
        return chain.key_of_step(key, interval)

    @staticmethod
    def _own_of_chord(
        free: Sequence[VoiceState], source: Source, key: int, sounding: Mapping[VoiceState, float]
    ) -> VoiceState | None:
        """Return the voice on which the same note of the same chord sounds, or sounded last."""
        for state in free:
            for held in (*state.held, state.playing):
                if (
                    held is not None
                    and held.source == source
                    and held.pressed == key
                    and held.key == sounding[state]
                    and (held in state.held or not state.held)
                ):
                    return state
        return None

    def latches(self, source: Source, key: int) -> bool:
        """Return whether a latch may keep a key."""
        return any(zone.latch for _, zone in self._zones_of(source, key))

    def _takers(
        self, zones: Sequence[tuple[int, Zone]], source: Source, key: int
    ) -> list[VoiceState]:
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
        return self._own(pool, source, key) or self._next(index, pool)

    def _next(self, index: int, free: Sequence[VoiceState]) -> VoiceState:
        """Return the next silent voice of a zone among some, else the one that is stolen."""
        pool = self._pools[index]
        start = self._last.get(index, -1) + 1
        for step in range(len(pool)):
            place = (start + step) % len(pool)
            if not pool[place].held and pool[place] in free:
                break
        else:
            places = [place for place, state in enumerate(pool) if state in free]
            place = min(places, key=lambda at: (pool[at].held[-1].down, pool[at].held[-1].age))
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
