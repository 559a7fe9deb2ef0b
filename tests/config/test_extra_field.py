"""``extra``: sockets in the converter's facts, what drives them in the rig; one line a fault."""

from __future__ import annotations

import pytest

from zerobeat.config.rig import read_rig
from zerobeat.engine.settings import ExtraRoute, ExtraSocket
from zerobeat.errors import ConfigError

RIG = """\
inputs:
  keys: {port: "Stage Keys:Stage Keys MIDI 1"}
converters:
  quad:
    port: "quad:quad MIDI 1"
    pass_channel_numbers: [9]
    converter:
      zero_volt_note: 36
      extra:
        cutoff: {controller: 20, channel_number: 16}
        accent: {note: 36, channel_number: 10}
        level: {pressure: true, channel_number: 5}
    extra:
      cutoff: {input: keys, from: wheel, smooth_ms: 30}
      accent: {input: keys, from: velocity}
      level: {input: keys, controller: 11}
voices:
  reed: {converter: quad, channel_number: 1, profile: none}
"""


def read(tmp_path, text):
    path = tmp_path / "rig.yaml"
    path.write_text(text)
    return read_rig(path).rig


def test_sockets_and_what_drives_them(tmp_path):
    cutoff = ExtraSocket("cutoff", "controller", 15, 20)
    accent = ExtraSocket("accent", "note", 9, 36)
    level = ExtraSocket("level", "pressure", 4)
    rig = read(tmp_path, RIG)
    assert rig.outputs[0].converter.extra == (cutoff, accent, level)
    assert rig.extra == (
        ExtraRoute("quad", cutoff, "keys", "wheel", 0, 0.03),
        ExtraRoute("quad", accent, "keys", "velocity"),
        ExtraRoute("quad", level, "keys", "controller", 11),
    )


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("controller: 20,", "controller: 128,", "cutoff.controller: found 128; allowed: a whole"),
        ("controller: 20,", "controller: 6,", "found 6, a bank, parameter or mode; allowed: ano"),
        (
            "controller: 20,",
            "",
            ":10: converters.quad.converter.extra.cutoff: found nothing; allow",
        ),
        ("controller: 20,", "controller: 20, note: 3,", "found controller and note; allowed: one"),
        (", channel_number: 16", "", "cutoff.channel_number: found nothing"),
        ("pressure: true", "pressure: false", "level.pressure: found false; allowed: true"),
        ("{note: 36", "{note: 128", "accent.note: found 128"),
        (
            "cutoff: {input",
            "cutof: {input",
            ":14: converters.quad.extra.cutof: found cutof; allowed: a",
        ),
        ("input: keys, from: wheel", "input: desk, from: wheel", "cutoff.input: found desk; allow"),
        ("from: wheel, ", "", ":14: converters.quad.extra.cutoff: found nothing; allowed: from or"),
        ("from: wheel", "from: whale", "cutoff.from: found whale; allowed: wheel, velocity"),
        ("smooth_ms: 30", "smooth_ms: -1", "cutoff.smooth_ms: found -1"),
        (
            "from: velocity",
            "from: slide",
            "accent: found another drive of a note; allowed: from vel",
        ),
        ("note: 36, channel_number: 10", "note: 36, channel_number: 1", "on channel 1, of reed"),
        ("note: 36, channel_number: 10", "note: 36, channel_number: 9", "of what is passed"),
        ("smooth_ms: 30", "smooth: 30", "cutoff.smooth: found unknown key"),
    ],
)
def test_a_fault_is_one_line(tmp_path, old, new, line):
    assert RIG.count(old) == 1
    with pytest.raises(ConfigError) as refused:
        read(tmp_path, RIG.replace(old, new))
    found = refused.value.problems
    assert len(found) == 1, found
    assert line in found[0]
