"""Keys for MPE keyboards and glides: what is built, each fault in one line, what does not reach."""

from __future__ import annotations

import pytest

from zerobeat.config.describe_expression import PROPOSED_SEMITONES, first_out_of_reach
from zerobeat.config.describe_rig import rig_lines
from zerobeat.config.scene_voices import plain_settings
from zerobeat.engine.mpe_zones import CHANNEL_PRESSURE, MpeSettings
from zerobeat.engine.settings import Converter, Voice, VoiceSettings
from zerobeat.errors import ConfigError
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs:
  grid: {{port: "Finger Grid:1"{grid}}}
converters:
  quad: {{port: "quad:1", converter: {{bend_range_semitones: {semitones}{converter}}}}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: none}}
scene:
  all: {{{scene}}}
"""


@pytest.fixture
def load(tmp_path):
    def read(grid="", scene="wheel: smooth", semitones=2, converter=""):
        path = tmp_path / "rig.yaml"
        text = RIG.format(grid=grid, scene=scene, semitones=semitones, converter=converter)
        path.write_text(text)
        return load_rig(path)

    return read


@pytest.mark.parametrize(
    ("keys", "built"),
    [
        ("", None),
        (", mpe: lower", MpeSettings(15, 0)),
        (", mpe: upper", MpeSettings(0, 15)),
        (", mpe: both", MpeSettings(7, 7)),
        (", mpe: from_the_keyboard", MpeSettings()),
        (", mpe: lower, lower_members: 4", MpeSettings(4, 0)),
        (", mpe: both, lower_members: 10, upper_members: 4", MpeSettings(10, 4)),
        (
            ", mpe: lower, member_semitones: 24, manager_semitones: 0, touch: centred",
            MpeSettings(15, 0, 2400.0, 0.0, "centred"),
        ),
        (
            ", mpe: lower, pressure_to: channel_pressure, slide_to: 20",
            MpeSettings(15, 0, pressure_to=CHANNEL_PRESSURE, slide_to=20),
        ),
        (", mpe: lower, pressure_to: nothing, slide_to: none", MpeSettings(15, 0)),
    ],
)
def test_an_mpe_keyboard_is_built(load, keys, built):
    assert load(keys).rig.inputs[0].mpe == built


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (", mpe: middle", r"grid\.mpe: found middle; allowed: lower, upper, both, from_the_key"),
        (", mpe: lower, channel_number: 2", r"channel_number: found it with mpe"),
        (", mpe: lower, plays: false", r"mpe: found it for an input that plays no notes"),
        (", mpe: lower, upper_members: 3", r"upper_members: found it with mpe: lower"),
        (", mpe: both, lower_members: 13", r"upper_members: found 13 and 7; allowed: 14 members"),
        (", mpe: lower, lower_members: 16", r"found 16; allowed: a whole number, 1 to 15"),
        (", mpe: lower, member_semitones: 97", r"member_semitones: found 97; .* 0 to 96"),
        (", mpe: lower, touch: soft", r"touch: found soft; allowed: as_played, centred"),
        (", mpe: lower, pressure_to: 64", r"pressure_to: found 64; allowed: channel_pressure, n"),
        (", mpe: lower, pressure_to: 6", r"pressure_to: found 6; allowed: channel_pressure, n"),
        (", mpe: lower, slide_to: 120", r"slide_to: found 120; allowed: channel_pressure, n"),
        (", mpe: lower, slide_to: 020", r"slide_to: found 020; allowed: channel_pressure, n"),
        (", mpe: lower, pressure_to: 7, slide_to: 7", r"slide_to: found the target of pressure_to"),
        (", touch: centred", r"touch: found it without mpe; allowed: with mpe"),
        (", lower_members: 3", r"lower_members: found it without mpe; allowed: with mpe"),
        (", glide_controllers: 5", r"glide_controllers: found 5; allowed: true or false"),
    ],
)
def test_each_fault_of_a_keyboard_is_one_line(load, keys, line):
    with pytest.raises(ConfigError, match=line) as caught:
        load(keys)
    assert len(str(caught.value).splitlines()) <= 2  # with the count of problems


@pytest.mark.parametrize(
    ("scene", "line"),
    [
        ("glide_ms: 3600000", r"glide_ms: found 3600000; allowed: a number, 0 to 60000"),
        ("glide_ms: -1", r"glide_ms: found -1; allowed: a number, 0 to 60000"),
        ("glide: fast", r"glide: found fast; allowed: by_octave, by_time"),
        ("glide_shape: round", r"glide_shape: found round; allowed: straight, rc"),
        ("glide_when: never", r"glide_when: found never; allowed: always, legato"),
    ],
)
def test_each_fault_of_a_glide_is_one_line(load, scene, line):
    with pytest.raises(ConfigError, match=line):
        load(scene=scene)


def test_numbers_on_the_way_need_an_overlap_that_is_safe(load):
    with pytest.raises(ConfigError, match="glide_across_notes: found it with overlap unsafe"):
        load(converter=", glide_across_notes: true")
    rig = load(converter=", glide_across_notes: true, overlap: legato").rig
    assert rig.outputs[0].converter.glide_across_notes


def test_a_glide_is_written_as_it_was_read(load):
    scene = "glide_ms: 250, glide: by_time, glide_shape: rc, glide_when: legato"
    settings = load(scene=scene).scenes[0].of("reed")
    assert settings == VoiceSettings(
        glide_ms=250.0, glide="by_time", glide_shape="rc", glide_when="legato"
    )
    plain = plain_settings(settings)
    assert {key: plain[key] for key in plain if key.startswith("glide")} == {
        "glide_ms": 250.0,
        "glide": "by_time",
        "glide_shape": "rc",
        "glide_when": "legato",
    }
    assert "glide_ms" not in plain_settings(VoiceSettings())


# ---------------------------------------------------------------- what does not reach


def shown(loaded):
    return " ".join(" ".join(rig_lines(loaded)).split())


def test_check_proposes_a_bend_range_for_fingers_and_says_what_it_costs(load):
    text = shown(load(", mpe: lower"))
    assert "a finger may bend 50 semitones, the bend range of reed is 2" in text
    assert "with bend_range_semitones: 24 a step of bend is 0.293 cents instead of 0.024" in text
    assert "warnings" not in shown(load(", mpe: lower", semitones=PROPOSED_SEMITONES))
    few = ", mpe: lower, member_semitones: 1, manager_semitones: 1"
    assert "warnings" not in shown(load(few, semitones=2.5))


def test_check_says_which_glides_do_not_reach(load):
    text = shown(load(scene="glide_ms: 200"))
    assert "scene start, reed: glides of 5 semitones and more don't all reach" in text
    assert "glides, 200 ms an octave" in text
    keys = (
        "glide_ms: 200}\n  zones: [{voices: [reed], lowest_key: 48, highest_key: 72}]\n  voices: {"
    )
    assert "warnings" not in shown(load(scene=keys, semitones=12))
    assert "glides of 25 semitones" in shown(load(scene="glide_ms: 200", semitones=12))


def test_check_says_what_becomes_of_a_legato_voice_beyond(load):
    scene = "glide_ms: 200, legato: true"
    text = shown(load(scene=scene))
    assert "glides of 3 semitones and more don't all reach" in text
    assert "a legato voice is struck anew" in text
    text = shown(load(scene=scene, converter=", overlap: legato"))
    assert "with a bend range of 2: the note sounds at its pitch at once" in text


def test_the_first_interval_out_of_reach():
    voice = Voice("reed", "out", 0, bend_range_cents=1200.0)
    glides = VoiceSettings(glide_ms=100.0)
    slurs = VoiceSettings(glide_ms=100.0, glide_when="legato", legato=True)
    plain = Converter(bend_range_cents=1200.0)
    across = Converter(bend_range_cents=1200.0, overlap="legato", glide_across_notes=True)
    assert first_out_of_reach(voice, glides, plain, range(24, 100)) == 25
    assert first_out_of_reach(voice, slurs, plain, range(24, 100)) == 13
    assert first_out_of_reach(voice, glides, across, range(24, 100)) is None
    assert first_out_of_reach(voice, glides, plain, range(24, 48)) is None
