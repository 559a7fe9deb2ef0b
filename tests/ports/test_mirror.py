"""Marks of what sounds: cleared when the note-off has left, kept when it may not have (N12)."""

from __future__ import annotations

import os

import pytest

from zerobeat.ports.mirror import OUTPUTS, Mirror, read_left, read_outputs, write_outputs


@pytest.fixture
def mirror(tmp_path):
    mirror = Mirror(tmp_path, ["octo", "quad"])
    yield mirror
    mirror.close()


def left(mirror):
    return read_left(mirror.path)


def test_a_mark_is_there_before_the_note_on_and_goes_with_the_note_off(mirror):
    mirror.mark("octo", 3, 60)
    assert left(mirror) == {"octo": [(3, 60)]} and mirror.marked() == [("octo", 3, 60)]
    mirror.clear("octo", 3, 60)
    assert left(mirror) == {}


def test_a_note_off_that_waits_for_the_server_keeps_its_mark_so_long(mirror):
    mirror.mark("octo", 3, 60)
    mirror.mark("octo", 3, 61)
    mirror.clear("octo", 3, 60, at=0xFFFFFF00)  # frame time wraps
    mirror.settle(0xFFFFFFF0, 512)
    assert left(mirror) == {"octo": [(3, 60), (3, 61)]} and mirror.leaving
    mirror.settle(0x00000100, 512)
    assert left(mirror) == {"octo": [(3, 61)]} and not mirror.leaving


def test_a_note_struck_again_meanwhile_stays_marked(mirror):
    mirror.mark("octo", 3, 60)
    mirror.clear("octo", 3, 60, at=0)
    mirror.mark("octo", 3, 60)
    mirror.settle(100_000, 512)
    assert left(mirror) == {"octo": [(3, 60)]}


def test_marks_of_a_crash_are_kept_by_the_next_start_until_released(tmp_path):
    first = Mirror(tmp_path, ["octo"])
    first.mark("octo", 0, 60)
    first.close()
    second = Mirror(tmp_path, ["quad", "octo"])
    assert second.owed("octo") == [(0, 60)] and left(second) == {"octo": [(0, 60)]}
    assert second.owed("quad") == []
    second.clear("octo", 0, 60)
    assert second.owed("octo") == [] and left(second) == {}
    second.close()


def test_a_note_of_a_crash_that_is_struck_anew_is_owed_nothing_more(tmp_path):
    first = Mirror(tmp_path, ["octo"])
    first.mark("octo", 0, 60)
    first.mark("octo", 1, 60)
    first.close()
    second = Mirror(tmp_path, ["octo"])
    second.mark("octo", 0, 60)
    assert second.owed("octo") == [(1, 60)]
    assert left(second) == {"octo": [(0, 60), (1, 60)]}
    second.close()


def test_names_longer_than_their_place_are_told_apart(tmp_path):
    names = [70 * "é" + end for end in "ab"]
    first = Mirror(tmp_path, names)
    first.mark(names[1], 0, 60)
    first.close()
    second = Mirror(tmp_path, names)
    assert (second.owed(names[0]), second.owed(names[1])) == ([], [(0, 60)])
    second.clear(names[1], 0, 60)
    assert left(second) == {}
    second.close()


def test_reloads_with_other_outputs_use_no_place_up(mirror):
    mirror.mark("octo", 0, 60)
    for number in range(3 * OUTPUTS):
        mirror.replace([f"output {number}"])
    mirror.mark(f"output {3 * OUTPUTS - 1}", 0, 61)
    assert left(mirror) == {"octo": [(0, 60)], f"output {3 * OUTPUTS - 1}": [(0, 61)]}


def test_a_file_that_was_removed_is_made_again_with_its_marks(mirror):
    mirror.mark("octo", 0, 60)
    mirror.path.unlink()
    assert not mirror.is_there()
    mirror.restore()
    assert mirror.is_there() and left(mirror) == {"octo": [(0, 60)]}


def test_without_room_for_a_file_it_plays_all_the_same(tmp_path):
    (tmp_path / "sounding").symlink_to(tmp_path / "elsewhere")  # O_NOFOLLOW refuses
    mirror = Mirror(tmp_path, ["octo"])
    mirror.mark("octo", 0, 60)
    assert not mirror.kept and mirror.marked() == [("octo", 0, 60)]
    mirror.close()


def test_outputs_in_a_folder_that_has_gone(tmp_path):
    with pytest.raises(OSError, match="No such file"):
        write_outputs(tmp_path / "gone", [])


def test_a_pipe_or_a_device_in_the_place_of_a_file_is_not_waited_for(tmp_path):
    for name in ("sounding", "outputs"):
        os.mkfifo(tmp_path / name)
    assert read_left(tmp_path / "sounding") == {} and read_outputs(tmp_path) == []
    assert not Mirror(tmp_path, ["octo"]).kept
    for name in ("sounding", "outputs"):
        (tmp_path / name).unlink()
        (tmp_path / name).symlink_to("/dev/zero")
    assert read_left(tmp_path / "sounding") == {} and read_outputs(tmp_path) == []


def test_outputs_that_are_no_text_are_none(tmp_path):
    (tmp_path / "outputs").write_text('[["\\ud800", "octo:in", false]]')
    assert read_outputs(tmp_path) == []
