"""The rig's key follow, and each voice's."""

import pytest

from zerobeat.errors import ConfigError
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs:
  keys: {{port: "Stage Keys:Stage Keys MIDI 1"}}
converters:
  quad: {{port: "quad:quad MIDI 1", converter: quad}}
audio_inputs:
  left: {{device: "Line Box: USB Audio", channel_number: 1}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: none{voice}}}
{follow}
"""


@pytest.fixture
def load(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))

    def read(follow="", voice=""):
        path = tmp_path / "rig.yaml"
        path.write_text(RIG.format(follow=follow, voice=voice))
        return load_rig(path)

    return read


def test_without_the_key_nothing_is_followed_by_itself(load):
    loaded = load()
    assert not loaded.follow.enabled and loaded.listening["reed"].follow
    assert (loaded.follow.limit_cents, loaded.follow.warming_limit_cents) == (15.0, 50.0)


def test_its_keys(load):
    loaded = load("follow: {enabled: true, limit_cents: 8, warm_minutes: 45}", ", follow: false")
    follow = loaded.follow
    assert (follow.enabled, follow.limit_cents, follow.warm_minutes) == (True, 8.0, 45.0)
    assert not loaded.listening["reed"].follow


@pytest.mark.parametrize(
    ("follow", "voice", "error"),
    [
        (
            "follow: {limit_cents: 0}",
            "",
            r"rig.yaml:9: follow.limit_cents: found 0; allowed: a number, 1 to 50",
        ),
        ("follow: {enabled: yes}", "", "follow.enabled: found yes; allowed: true or false"),
        ("follow: {limit_cent: 3}", "", "found unknown key; allowed: limit_cents"),
        ("follow: {limit_cents: 40, warming_limit_cents: 20}", "", "found 20 while warming"),
        ("follow: true", "", "follow: found true"),
        ("", ", follow: 3", "voices.reed.follow: found 3"),
    ],
)
def test_each_fault_has_one_line(load, follow, voice, error):
    with pytest.raises(ConfigError, match=error) as raised:
        load(follow, voice)
    assert len(raised.value.problems) == 1
