"""What follow keeps between nights."""

import json
import time

from zerobeat.follow.kept_drift import BELIEFS, LOG, KeptDrift, KeptKnob, nights_of, usual_settling

REPORT = {
    "reed": {
        "drift_cents": 1.5,
        "stretch_cents": 0.1,
        "age_s": 2.0,
        "rate_cents_per_min": 0.4,
        "sigma_cents": 0.1,
        "touched_at_s": 7.0,
        "here_cents": -3.5,
        "knob_cents": None,
    },
    "horn": {"drift_cents": None, "age_s": None},
}


def test_beliefs_come_back_with_their_age(tmp_path):
    kept = KeptDrift(tmp_path, "/rig.yaml")
    kept.keep(REPORT, 0.0, 60.0)
    again = KeptDrift(tmp_path, "/rig.yaml").beliefs(time.time() + 3600.0)
    assert list(again) == ["reed"]
    offset, stretch, age_s = again["reed"]
    assert (offset, stretch) == (1.5, 0.1) and 3600.0 <= age_s < 3610.0
    assert KeptDrift(tmp_path, "/other.yaml").beliefs(0.0) == {}


def test_a_knob_that_was_kept_where_it_stands_stands_there_for_a_night(tmp_path):
    kept = KeptDrift(tmp_path, "/rig.yaml")
    kept.keep(REPORT, 0.0, 60.0)
    again = KeptDrift(tmp_path, "/rig.yaml")
    assert again.knobs(time.time() + 3600.0) == {"reed": KeptKnob(7.0, -3.5, None)}
    assert again.knobs(time.time() + 13 * 3600.0) == {}


def test_once_a_minute(tmp_path):
    kept = KeptDrift(tmp_path, "/rig.yaml")
    for second in range(0, 181, 20):
        kept.keep_if_due(REPORT, float(second), float(second))
    assert len((tmp_path / LOG).read_text().splitlines()) == 4


def test_damaged_files_and_a_full_disk_are_states(tmp_path):
    (tmp_path / BELIEFS).write_text('{"format": 1, "rig": "/rig.yaml", "voices": 3}')
    assert KeptDrift(tmp_path, "/rig.yaml").beliefs(0.0) == {}
    (tmp_path / "file").write_text("")
    kept = KeptDrift(tmp_path / "file", "/rig.yaml")
    kept.keep(REPORT, 0.0, 0.0)
    assert "can't be written" in kept.fault


def test_nights_and_when_a_voice_usually_settles(tmp_path):
    lines = ["damaged {"]
    for night in range(3):
        for minute in range(40):
            rate = 3.0 * 0.9**minute
            lines.append(
                json.dumps(
                    {
                        "at_s": 86_400 * night + 60 * minute,
                        "since_power_on_s": 60 * minute,
                        "rig": "/rig.yaml",
                        "voices": {"reed": [1.0, rate, 0.1]},
                    }
                )
            )
    (tmp_path / LOG).write_text("\n".join(lines))
    nights = nights_of("/rig.yaml", [tmp_path])
    assert len(nights) == 3
    assert usual_settling(nights, "reed") == 26.0  # 3 * 0.9^26 < 0.2
    assert usual_settling(nights, "horn") is None
    assert nights_of("/other.yaml", [tmp_path]) == []
