"""The evening of ``demo --follow``, a minute of it."""

import xml.etree.ElementTree as ET

import numpy as np

from zerobeat.render.follow_demo import evening_svg, evening_table, play_evening


def test_a_minute_of_it_is_played_read_and_shown():
    before, after = (play_evening(follows, 1, 40.0) for follows in (False, True))
    assert before.readings == 0 < after.readings
    assert all(len(one) > 50 and np.isfinite(one).all() for one in after.errors.values())
    assert after.sound.std() > 0.05
    table = evening_table(before, after)
    assert [line.split()[0] for line in table[2:]] == ["reed", "horn", "glass", "bass"]
    assert all(len(line) <= 79 for line in table)
    drawn = ET.fromstring(evening_svg(before, after))
    assert len(drawn.findall("{http://www.w3.org/2000/svg}polyline")) == 8
