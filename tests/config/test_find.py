"""Where named files are looked for."""

from pathlib import Path

from zerobeat.config.find import SHIPPED, find, places, state_directory


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
    assert places("reed", ("profiles", "oscillators"), Path("/r")) == [
        Path("/r/reed.yaml"),
        Path("/r/profiles/reed.yaml"),
        Path("/r/oscillators/reed.yaml"),
        Path("/s/profiles/reed.yaml"),
        Path("/s/oscillators/reed.yaml"),
        SHIPPED / "profiles" / "reed.yaml",
        SHIPPED / "oscillators" / "reed.yaml",
    ]
    assert places("/a/b.scl", ("scales",), Path("/r")) == [Path("/a/b.scl")]
    assert places("my/b.scl", ("scales",), Path("/r"))[0] == Path("/r/my/b.scl")


def test_names_are_exact(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "quad-two.yaml").write_text("")
    assert find("quad-tw", ("converters",), tmp_path) is None
    assert find("quad-two", ("converters",), tmp_path) == tmp_path / "quad-two.yaml"
    assert find("quad-two.yaml", ("converters",), tmp_path) == tmp_path / "quad-two.yaml"


def test_a_name_that_no_file_can_have_is_not_found(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    assert find("a\0b", ("scenes",), tmp_path) is None
    assert find("x" * 5000, ("scenes",), tmp_path) is None
