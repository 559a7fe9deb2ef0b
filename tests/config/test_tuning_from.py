"""``tuning_from``: the rig's, a voice's own, or none."""

from __future__ import annotations

import pytest

from zerobeat.config.rig import read_rig
from zerobeat.errors import ConfigError

RIG = """\
{all}inputs:
  keys: {{port: "Stage Keys:Stage Keys MIDI 1"}}
  computer: {{port: "Desk:Desk MIDI 1", plays: false}}
converters: {{quad: {{port: "quad:quad MIDI 1", converter: {{zero_volt_note: 36}}}}}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: none{one}}}
  horn: {{converter: quad, channel_number: 2, profile: none}}
"""


def read(tmp_path, everyone="", one=""):
    path = tmp_path / "rig.yaml"
    path.write_text(RIG.format(all=everyone, one=one))
    return [voice.tuning_from for voice in read_rig(path).rig.voices]


@pytest.mark.parametrize(
    ("everyone", "one", "found"),
    [
        ("", "", [None, None]),
        ("tuning_from: computer\n", "", ["computer", "computer"]),
        ("tuning_from: computer\n", ", tuning_from: none", [None, "computer"]),
        ("tuning_from: none\n", ", tuning_from: keys", ["keys", None]),
    ],
)
def test_a_voices_own_goes_before_the_rigs(tmp_path, everyone, one, found):
    assert read(tmp_path, everyone, one) == found


@pytest.mark.parametrize(
    ("everyone", "one", "line"),
    [
        ("tuning_from: desk\n", "", ":1: tuning_from: found desk; allowed: none, or an input"),
        ("", ", tuning_from: desk", ":6: voices.reed.tuning_from: found desk; allowed: none, or"),
        ("", ", tuning_from: [keys]", ":6: voices.reed.tuning_from: found"),
    ],
)
def test_an_unknown_input_is_one_line(tmp_path, everyone, one, line):
    with pytest.raises(ConfigError) as refused:
        read(tmp_path, everyone, one)
    assert len(refused.value.problems) == 1
    assert line in refused.value.problems[0]
