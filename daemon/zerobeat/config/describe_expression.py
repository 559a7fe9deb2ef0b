"""What ``zerobeat check`` says of fingers and glides: their settings, and what does not reach."""

from __future__ import annotations

from collections.abc import Iterable

from ..engine.chain import Chain
from ..engine.mpe_zones import CHANNEL_PRESSURE, MpeSettings
from ..engine.settings import Converter, Input, Rig, Scene, Tonight, Voice, VoiceSettings
from ..tuning.bend import bend_to_cents, gliding_note

PROPOSED_SEMITONES = 24  # of bend range


def mpe_facts(mpe: MpeSettings) -> list[str]:
    """Return what an MPE keyboard is taken for, in words."""
    zones = [
        f"{name} zone of {count}"
        for name, count in (("lower", mpe.lower_members), ("upper", mpe.upper_members))
        if count
    ]
    facts = [f"MPE, {' and '.join(zones) or 'zones as the keyboard says'}"]
    facts.append(
        f"a finger bends {mpe.member_cents / 100.0:g} semitones either side, "
        f"a zone's wheel {mpe.manager_cents / 100.0:g}, until the keyboard says otherwise"
    )
    if mpe.touch == "centred":
        facts.append("a finger's place at the touch is the key's pitch")
    for what, target in (("pressure", mpe.pressure_to), ("controller 74", mpe.slide_to)):
        if target is not None:
            to = "channel pressure" if target == CHANNEL_PRESSURE else f"controller {target}"
            facts.append(f"{what} to {to}")
    return facts


def glide_text(settings: VoiceSettings) -> str:
    """Return how a voice glides, in words; it does."""
    whole = "an octave" if settings.glide == "by_octave" else "a glide"
    shape = ", rc" if settings.glide_shape == "rc" else ""
    when = ", from a key that is down alone" if settings.glide_when == "legato" else ""
    return f"glides, {settings.glide_ms:g} ms {whole}{shape}{when}"


# ---------------------------------------------------------------- what does not reach


def reach_warnings(rig: Rig, scenes: Iterable[Scene]) -> list[str]:
    """Return a line for each keyboard and each scene that asks for more than the bend has."""
    found = []
    for source in rig.inputs:
        if source.mpe is not None and source.plays:
            found += _finger_warnings(source, source.mpe, rig)
    for scene in scenes:
        found += _glide_warnings(scene, rig)
    return found


def _finger_warnings(source: Input, mpe: MpeSettings, rig: Rig) -> list[str]:
    reach_cents = mpe.member_cents + mpe.manager_cents
    wanted_cents = min(reach_cents, 100.0 * PROPOSED_SEMITONES)
    found = []
    for cents, names in _by_range(rig.voices, wanted_cents).items():
        found.append(
            f"inputs.{source.name}.mpe: a finger may bend {reach_cents / 100.0:g} semitones, the "
            f"bend range of {', '.join(names)} is {cents / 100.0:g}: what is beyond is lost; "
            f"{_proposal(cents)}"
        )
    passed = sorted({channel for output in rig.outputs for channel in output.pass_channels})
    fingers = [channel + 1 for channel in passed if channel in _channels(mpe)]
    if fingers:
        numbers = ", ".join(map(str, fingers))
        found.append(
            f"inputs.{source.name}.mpe: fingers on channel numbers {numbers} pass through to a "
            "converter (pass_channel_numbers) and play no voice"
        )
    return found


def _channels(mpe: MpeSettings) -> set[int]:
    lower = range(mpe.lower_members + 1) if mpe.lower_members else ()
    upper = range(15 - mpe.upper_members, 16) if mpe.upper_members else ()
    return {*lower, *upper}


def _by_range(voices: Iterable[Voice], least_cents: float) -> dict[float, list[str]]:
    """Return the names of voices with a bend range below another, by their range."""
    found: dict[float, list[str]] = {}
    for voice in voices:
        if voice.bend_range_cents < least_cents:
            found.setdefault(voice.bend_range_cents, []).append(voice.name)
    return found


def _proposal(now_cents: float) -> str:
    proposed, now = (bend_to_cents(1, c) for c in (100.0 * PROPOSED_SEMITONES, now_cents))
    return (
        f"with bend_range_semitones: {PROPOSED_SEMITONES} a step of bend is {proposed:.3f} cents "
        f"instead of {now:.3f}"
    )


def _glide_warnings(scene: Scene, rig: Rig) -> list[str]:
    texts: dict[str, list[str]] = {}
    converters = {output.name: output.converter for output in rig.outputs}
    for voice in rig.voices:
        settings = scene.of(voice.name)
        if not settings.glide_ms:
            continue
        short = first_out_of_reach(voice, settings, converters[voice.output], _keys(scene, voice))
        if short is None:
            continue
        anew = settings.legato and converters[voice.output].overlap != "legato"
        text = (
            f"glides of {short} semitones and more don't all reach with a bend range of "
            f"{voice.bend_range_cents / 100.0:g}: "
        )
        text += "a legato voice is struck anew" if anew else "the note sounds at its pitch at once"
        if voice.bend_range_cents < 100.0 * PROPOSED_SEMITONES:
            text += f"; {_proposal(voice.bend_range_cents)}"
        texts.setdefault(text, []).append(voice.name)
    return [f"scene {scene.name}, {', '.join(names)}: {text}" for text, names in texts.items()]


def _keys(scene: Scene, voice: Voice) -> list[int]:
    """Return the keys that may sound a voice."""
    if not scene.zones:
        return list(range(128))
    keys: set[int] = set()
    for zone in scene.zones:
        if voice.name in zone.voices:
            keys.update(range(zone.lowest_key, zone.highest_key + 1))
    return sorted(keys)


def first_out_of_reach(
    voice: Voice, settings: VoiceSettings, converter: Converter, keys: Iterable[int]
) -> int | None:
    """Return the smallest interval of two keys, in semitones, over which a glide does not reach."""
    if converter.glide_across_notes and converter.overlap == "legato":
        return None
    chain = Chain(voice, settings, Tonight())
    rests = {key: rest for key in keys if (rest := chain.rest(key)) is not None}
    slurs = settings.legato  # the number that sounds stays
    for interval in range(1, 128):
        for key, first in rests.items():
            for to in (key - interval, key + interval) if slurs else (key + interval,):
                last = rests.get(to)
                if last is None:
                    continue
                if slurs:
                    left = chain.left_over(last.commanded_cents, first.note)
                    reached = abs(left) <= voice.bend_range_cents
                else:
                    reached = _reached(voice, chain, first.commanded_cents, last.commanded_cents)
                if not reached:
                    return interval
    return None


def _reached(voice: Voice, chain: Chain, from_cents: float, to_cents: float) -> bool:
    errors = chain.note_errors_cents or (0.0,)
    spare_cents = 2.0 * voice.bend_range_cents - 100.0 - 2.0 * max(map(abs, errors))
    low, high = 100.0 * voice.lowest_note, 100.0 * voice.highest_note
    inside = low <= min(from_cents, to_cents) and max(from_cents, to_cents) <= high
    if inside and abs(to_cents - from_cents) <= spare_cents:
        return True  # some number lies between
    number = gliding_note(
        from_cents,
        to_cents,
        voice.lowest_note,
        voice.highest_note,
        voice.bend_range_cents,
        chain.note_errors_cents,
    )
    return number is not None
