"""``curve`` of inputs and voices: names, points, one velocity, and one clear line for the rest."""

from __future__ import annotations

import pytest

from zerobeat.config.rig import read_rig
from zerobeat.engine.response import Response
from zerobeat.errors import ConfigError
from zerobeat.tuning.response_curve import curve_through, fixed_curve, named_curve

RIG = """\
inputs:
  keys: {{port: "Stage Keys:Stage Keys MIDI 1"{keys}}}
converters: {{quad: {{port: "quad:quad MIDI 1", converter: {{zero_volt_note: 36}}}}}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: none{reed}}}
"""


def read(tmp_path, keys="", reed=""):
    path = tmp_path / "rig.yaml"
    path.write_text(RIG.format(keys=keys, reed=reed))
    rig = read_rig(path).rig
    return rig.inputs[0].response, rig.voices[0].response


@pytest.mark.parametrize(
    ("text", "response"),
    [
        ("soft", Response(named_curve("soft", 1))),
        ("linear", None),
        ("100", Response(fixed_curve(100))),
        ("[[1, 5], [127, 127]]", Response(curve_through([(1, 5), (127, 127)], 1))),
        ("{velocity: linear}", None),
        (
            "{velocity: 90, pressure: hard, pedals: [[0, 127], [127, 127]]}",
            Response(fixed_curve(90), named_curve("hard"), fixed_curve(127)),
        ),
    ],
)
def test_a_curve_of_an_input_or_a_voice(tmp_path, text, response):
    assert read(tmp_path, f", curve: {text}") == (response, None)
    assert read(tmp_path, "", f", curve: {text}") == (None, response)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("sort", "inputs.keys.curve: found sort; allowed: linear, softer, soft"),
        ("0", "inputs.keys.curve: found 0; allowed: a whole number, 1 to 127"),
        ("128", "inputs.keys.curve: found 128; allowed: a whole number, 1 to 127"),
        ("[]", "inputs.keys.curve: found 0 points; allowed: 2 to 128"),
        ("[[1, 1]]", "inputs.keys.curve: found 1 points; allowed: 2 to 128"),
        ("[[1, 1], [5]]", "found a list; allowed: two numbers"),
        ("[[0, 1], [127, 127]]", "found 0; allowed: a whole number, 1 to 127"),
        ("[[1, 1], [64, 50], [90, 40]]", "found [90, 40] after [64, 50]; allowed: more in"),
        ("[[1, 1], [1, 50]]", "found [1, 50] after [1, 1]; allowed: more in"),
        ("{pressure: 100}", "inputs.keys.curve.pressure: found 100; allowed: linear"),
        ("{pressure: []}", "inputs.keys.curve.pressure: found 0 points"),
        ("{speed: soft}", "inputs.keys.curve.speed: found unknown key"),
        ("", "inputs.keys.curve: found nothing; allowed: linear"),
    ],
)
def test_a_wrong_curve_is_one_line(tmp_path, text, line):
    with pytest.raises(ConfigError) as refused:
        read(tmp_path, f", curve: {text}")
    assert len(refused.value.problems) == 1, refused.value.problems
    assert line in refused.value.problems[0]
