"""Audio inputs of a rig, and the settings for measuring each voice through them.

    audio_inputs:
      left: {device: "Line Box: USB Audio", channel_number: 1}
    voices:
      reed: {converter: quad, channel_number: 1, input: left, tap: before_vca}

``run`` never opens an audio input; only the measuring commands do.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from ..errors import one_of
from .fields import Section

Excite = Literal["drone", "strike"]
Tap = Literal["before_vca", "after"]
MOST_CHANNELS = 128
_CARD = re.compile(r" \((hw|plughw):[^)]*\)$|^(hw|plughw):")


@dataclass(frozen=True, slots=True)
class AudioInput:
    """One channel of a sound card or of a JACK client.

    Args:
        device: the stable name that ``zerobeat ports`` lists; never a number.
        device_is_pattern: a shell pattern that must match one device.
        channel: 0 and up.
        clock_ppm: how much too fast the card's sample clock runs, as measured
            against a reference; 17 ppm are 0.03 cents.
    """

    name: str
    device: str
    device_is_pattern: bool = False
    channel: int = 0
    clock_ppm: float = 0.0


@dataclass(frozen=True, slots=True)
class ListenSettings:
    """How a voice is recorded when it is measured.

    Args:
        input: an audio input; "" where none is named and the rig has not just one.
        excite: ``drone`` holds a note while it is read, ``strike`` strikes it for
            each reading and reads while it rings.
        tap: where the cable to the audio input is taken from. ``before_vca``
            sounds whatever the gate does, and can be read in silence.
        follow: the voice may be followed while it is played.
    """

    input: str = ""
    excite: Excite = "drone"
    tap: Tap = "after"
    follow: bool = True


def read_audio_inputs(section: Section) -> dict[str, AudioInput]:
    """Return the audio inputs of a rig, by name."""
    found: dict[str, AudioInput] = {}
    taken: dict[tuple[str, int], str] = {}
    for name, inner in section.named_sections("audio_inputs"):
        found[name] = _audio_input(name, inner)
        place = (found[name].device, found[name].channel)
        if place[0] and place in taken:
            text = f"found channel {place[1] + 1} of {place[0]}, which is {taken[place]}"
            inner.faults.add(inner.at("channel_number"), f"{text}; allowed: each channel once")
        taken.setdefault(place, name)
    return found


def _audio_input(name: str, section: Section) -> AudioInput:
    is_pattern = section.has("device_pattern")
    if is_pattern and section.has("device"):
        section.faults.add(
            section.at("device_pattern"), "found beside device; allowed: one of the two"
        )
    key = "device_pattern" if is_pattern else "device"
    device = section.text(key, "", required=True)
    section.asked += ["device", "device_pattern"]
    if device and not device.isprintable():
        section.faults.add(section.at(key), "found control characters; allowed: printable text")
    elif _CARD.search(device):
        section.faults.add(
            section.at(key),
            f"found {device}, with numbers that change at each start; allowed: the name alone, "
            f"as {_CARD.sub('', device) or 'Line Box: USB Audio'} ('zerobeat ports' lists them)",
        )
    found = AudioInput(
        name=name,
        device=device,
        device_is_pattern=is_pattern,
        channel=section.whole("channel_number", 1, 1, MOST_CHANNELS, required=True) - 1,
        clock_ppm=section.number("clock_ppm", 0.0, -500.0, 500.0),
    )
    section.close()
    return found


def read_listening(section: Section, audio_inputs: dict[str, AudioInput]) -> ListenSettings:
    """Return how one voice is recorded; a rig with one audio input needs no ``input``."""
    names = list(audio_inputs)
    only = names[0] if len(names) == 1 else ""
    name = section.text("input", only)
    if section.has("input") and name not in audio_inputs:
        allowed = f"a name under audio_inputs: {one_of(name or '', names) or 'none yet'}"
        section.faults.add(section.at("input"), f"found {name}; allowed: {allowed}")
    return ListenSettings(
        input=name,
        excite=section.choice("excite", "drone", ("drone", "strike")),
        tap=section.choice("tap", "after", ("before_vca", "after")),
        follow=section.flag("follow", True),
    )
