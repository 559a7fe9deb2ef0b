"""``zerobeat init``: writes a commented starter rig."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from ..errors import StoreError
from ..text import printable
from .output_file import add_force, refuse_existing

# For editors: what may stand in a rig. ``zerobeat schema rig`` prints the same.
SCHEMA = Path(__file__).resolve().parent.parent / "generated" / "rig.schema.json"
STARTER = """\
# yaml-language-server: $schema={schema}
# rig.yaml: what is plugged in. zerobeat reads this file and never writes it.
# After a change: zerobeat check rig.yaml

name: {name}
# The name under which stored scenes, profiles and settings are kept. The file may move; change
# the name, and the rig starts fresh.

middle_c: C4                  # what key 60 is called here: C3, C4 or C5
program_numbers_from: 1       # 0 or 1: how your pedalboard counts programs
concert_a_hz: 440

inputs:
  keys:
    # Client name and port name, as 'zerobeat ports' lists them; never numbers
    # such as 20:0, which change at each start.
    port: "Stage Keys:Stage Keys MIDI 1"
    wheel_cents: 200          # reach of the pitch wheel, one side
    # channel_number: 1       # listen to one channel only, 1 to 16
  # feet:
  #   port_pattern: "Four Feet:*"   # a shell pattern that must match one port
  #   pedalboard: four-feet         # the file that says what its switches do

# clock_from: keys            # the input whose clock counts and is passed on

converters:
  quad:
    port: "quad:quad MIDI 1"
    # The name of a converter file, or the facts written out, as here.
    converter:
      bend_range_semitones: 2       # one side
      bend_range: sent              # or fixed, if the converter ignores RPN 0
      zero_volt_note: C2            # 36: the note that comes out as 0 V
      lowest_note: C1               # 24
      highest_note: C8              # 108
      overlap: unsafe               # legato or retriggers, once you have tried it
      bend_with_gate_low: true      # false: bend acts only while a key is down
      settle_ms: 1                  # from a bend to a steady voltage
      gate_gap_ms: 2                # shortest gap that restarts an envelope
      bytes_per_second: din         # din, usb or a number
    # pass_channel_numbers: [10]    # channels no voice uses, passed through
    # pass: [clock, transport]      # messages passed on

# audio_inputs:               # for measuring: what each cable to the sound card is called.
#   left:                     # A modular's level is hot: attenuate before a line input.
#     device: "Line Box: USB Audio"   # as 'zerobeat ports' lists it, never hw:1,0
#     channel_number: 1
#     clock_ppm: 0            # how much too fast the card's clock runs, if you know it

voices:
  # The profile of a voice is found by the voice's name once 'zerobeat measure'
  # has made one. Until then a voice is played raw, with a warning;
  # 'profile: none' says that this is wanted.
  reed: {converter: quad, channel_number: 1}
  horn: {converter: quad, channel_number: 2}
  # bass:
  #   converter: quad
  #   channel_number: 3
  #   panel_octaves: -1       # its panel is set one octave below the written pitch
  #   tail_s: 2               # rings on: the wheel reaches it so long after the key
  #   # input: left           # where it is heard for measuring; one input needs no name
  #   # excite: strike        # for a plucked or struck voice: struck for each reading
  #   # tap: before_vca       # cable taken before the VCA: touched up in silence
  # floor:                    # a drone: heard with the gate low. Turn it down before
  #   converter: quad         # you patch it, it does not fall silent by itself.
  #   channel_number: 4
  #   gate: ignored

scene:                        # what plays at the start; or the name of a scene file
  hold: note                  # a changed setting is heard at a voice's next note
  all: {scale: continuous}    # or: {scale: dorian, root: D}
  voices:
    horn: {detune_beats_hz: 0.4}    # 0.4 beats a second against reed, at every key

# scenes: [steps, white-keys]   # the set list: names of scene files; these are shipped

# page:                       # the status on a phone: see docs/page.md
#   enabled: true
#   addresses: [127.0.0.1]    # of this computer, in the phone's network
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "example: zerobeat init rig.yaml"
    parser.add_argument(
        "file", nargs="?", default="rig.yaml", type=Path, help="file to write (default: rig.yaml)"
    )
    add_force(parser)


def _starter(file: Path) -> str:
    return STARTER.replace("{name}", _name(file)).replace("{schema}", SCHEMA.as_uri())


def _name(file: Path) -> str:
    """Return a name for a rig: its file's, or its folder's where the file is called rig."""
    path = file.absolute()
    words = path.stem if path.stem != "rig" else path.parent.name
    plain = re.sub(r"[^\w -]+", "-", words, flags=re.ASCII).strip(" -")[:30]
    return f'"{plain or "case"}"'


def run(args: argparse.Namespace) -> int:
    refuse_existing([args.file], args.force)
    try:
        args.file.write_text(_starter(args.file), encoding="utf-8")
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise StoreError(f"{args.file}: cannot be written: {reason}") from None
    file = printable(str(args.file))
    print(f"{file}: written. Put your ports and voices in, then: zerobeat check {file}")
    return 0
