"""Voices with random flaws on one audio input, measured in a virtual room."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from kit.virtual_room import VirtualDaemon, virtual_session
from zerobeat.calibration.live_measurement import MeasureOptions, measure_live
from zerobeat.calibration.measurement import MeasuredVoice, aim_of
from zerobeat.calibration.measuring_session import MeasuringSession
from zerobeat.console.live_line import LiveLine
from zerobeat.sim.scenario import random_case
from zerobeat.sim.virtual_case import Mixer, Sound, VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter

WAVEFORMS = ("sawtooth", "triangle", "pulse")
SLEW_S = 0.003
RIG = """\
inputs: {{keys: {{port: "keys:out"}}}}
converters:
  octo: {{port: "octo:in", converter: {{lowest_note: {low}, highest_note: {high}}}}}
audio_inputs:
  mix: {{device: any, channel_number: 1}}
voices:
"""


def octo(
    folder: Path,
    count: int,
    seed: int,
    low: int = 36,
    high: int = 84,
    wrong_notes: Mapping[int, float] | None = None,
) -> tuple[MeasuringSession, VirtualDaemon]:
    """Return a session on ``count`` voices that share one input, and its daemon."""
    drawn = random_case(seed, count)
    dacs = {
        channel: replace(dac, bits=16, slew_s=SLEW_S)
        for channel, dac in drawn.converter.model.dacs.items()
    }
    model = ConverterModel(dacs=dacs, note_errors_cents=wrong_notes or {})
    sounds = {
        n: Sound(WAVEFORMS[n % 3], width=0.5 if n % 2 else 0.3, level=0.06) for n in range(count)
    }
    case = VirtualCase(
        VirtualConverter(model, seed),
        drawn.oscillators,
        sounds,
        mixer=Mixer(hiss_level=0.001),
        seed=seed,
    )
    rig = folder / "rig.yaml"
    rig.write_text(
        RIG.format(low=low, high=high)
        + "".join(
            f"  voice{n}: {{converter: octo, channel_number: {n + 1}, input: mix}}\n"
            for n in range(count)
        )
    )
    os.environ["STATE_DIRECTORY"] = str(folder / "state")
    return virtual_session(rig, case)


def measure_all(
    session: MeasuringSession, glance: bool = True
) -> tuple[dict[str, MeasuredVoice | str], str]:
    """Return what ``measure --all --dry-run`` finds, and what it shows."""
    line = LiveLine(io.StringIO())
    found = measure_live(
        session,
        list(session.voices),
        lambda one, name: aim_of(one.loaded, one.voice(name), glance=glance),
        MeasureOptions(dry_run=True),
        line,
    )
    return found, line._out.getvalue()
