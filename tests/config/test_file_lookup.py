"""Where named files are looked for."""

from pathlib import Path

import pytest

from zerobeat.config.file_lookup import SHIPPED, find_file, hidden_by, places, stored_name
from zerobeat.state.state_directory import own_store, state_directory


def test_the_state_directory_is_systemds_else_the_xdg_one(monkeypatch, tmp_path):
    """systemd.exec(5), StateDirectory=; XDG Base Directory Specification 0.8."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/zerobeat:/var/lib/other")
    assert state_directory() == Path("/var/lib/zerobeat")
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", "/x/state")
    assert state_directory() == Path("/x/state/zerobeat")
    monkeypatch.setenv("XDG_STATE_HOME", "not/absolute")
    assert state_directory() == tmp_path / ".local" / "state" / "zerobeat"
    monkeypatch.delenv("XDG_STATE_HOME")
    assert state_directory() == tmp_path / ".local" / "state" / "zerobeat"


def test_places_in_order(monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", "/s")
    assert places("reed", ("profiles", "oscillators"), Path("/r"), stored=own_store()) == [
        Path("/s/profiles/reed.yaml"),
        Path("/r/reed.yaml"),
        Path("/r/profiles/reed.yaml"),
        Path("/r/oscillators/reed.yaml"),
        Path("/s/oscillators/reed.yaml"),
        SHIPPED / "profiles" / "reed.yaml",
        SHIPPED / "oscillators" / "reed.yaml",
    ]
    assert places("/a/b.scl", ("scales",), Path("/r"), stored=own_store()) == [Path("/a/b.scl")]
    assert places("my/b.scl", ("scales",), Path("/r"), stored=own_store())[0] == Path("/r/my/b.scl")
    first = [Path("/s/scenes/my--slow.yaml"), Path("/r/my/slow.yaml")]
    assert places("my/slow.yaml", ("scenes",), Path("/r"), stored=own_store())[:2] == first


@pytest.mark.parametrize(
    ("name", "stored"),
    [
        ("slow", "slow"),
        ("slow.yaml", "slow"),
        ("scenes/slow.yml", "slow"),
        ("./scenes/slow", "slow"),
        ("friday/slow", "friday--slow"),
        ("../friday/slow.yaml", "friday--slow"),
        ("/home/me/slow.yaml", "home--me--slow"),
        ("no.2", "no.2"),
    ],
)
def test_what_a_rig_names_has_one_name_in_the_store(name, stored):
    assert stored_name(name) == stored


@pytest.mark.parametrize("name", ["calm", "calm.yaml", "scenes/calm.yaml", "friday/calm"])
def test_what_was_stored_goes_before_the_players_file(name, monkeypatch, tmp_path):
    """Else a scene stored on stage would be gone after a restart."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    own = tmp_path / ("friday" if "friday" in name else "scenes") / "calm.yaml"
    own.parent.mkdir()
    own.write_text("hold: none\n")
    assert find_file(name, ("scenes",), tmp_path, stored=own_store()) == own
    stored = tmp_path / "state" / "scenes" / f"{stored_name(name)}.yaml"
    stored.parent.mkdir(parents=True)
    stored.write_text("hold: note\n")
    assert find_file(name, ("scenes",), tmp_path, stored=own_store()) == stored
    assert hidden_by(stored, name, ("scenes",), tmp_path, stored=own_store()) == own
    # Gone but for an earlier generation: that still goes before.
    stored.rename(stored.with_name(f"{stored_name(name)}.1.yaml"))
    assert find_file(name, ("scenes",), tmp_path, stored=own_store()) == stored


def test_other_files_beside_the_rig_go_before_those_in_the_state_directory(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    stored = tmp_path / "state" / "converters" / "quad.yaml"
    stored.parent.mkdir(parents=True)
    stored.write_text("title: one\n")
    assert find_file("quad", ("converters",), tmp_path, stored=own_store()) == stored
    own = tmp_path / "quad.yaml"
    own.write_text("title: two\n")
    assert find_file("quad", ("converters",), tmp_path, stored=own_store()) == own
    assert hidden_by(own, "quad", ("converters",), tmp_path, stored=own_store()) == stored


def test_names_are_exact(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "quad-two.yaml").write_text("")
    assert find_file("quad-tw", ("converters",), tmp_path, stored=own_store()) is None
    assert (
        find_file("quad-two", ("converters",), tmp_path, stored=own_store())
        == tmp_path / "quad-two.yaml"
    )
    assert (
        find_file("quad-two.yaml", ("converters",), tmp_path, stored=own_store())
        == tmp_path / "quad-two.yaml"
    )


def test_a_name_that_no_file_can_have_is_not_found(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    assert find_file("a\0b", ("scenes",), tmp_path, stored=own_store()) is None
    assert find_file("x" * 5000, ("scenes",), tmp_path, stored=own_store()) is None
