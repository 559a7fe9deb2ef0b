"""What a YAML parser lets by is refused, with one clear line a fault (requirements C1 to C4)."""

import os
import threading

import pytest
import yaml

from zerobeat.config import yaml_source
from zerobeat.config.faults import Faults
from zerobeat.config.yaml_source import parse_yaml, read_yaml


def faults_of(text: str | bytes) -> list[str]:
    faults = Faults()
    parse_yaml(text.encode() if isinstance(text, str) else text, "f.yaml", faults)
    return faults.lines()


BAD = [
    ("a: 1\nb: 2\na: 3\n", "f.yaml:3: a: found a second time, first in line 1; allowed: once"),
    ("x:\n  b: 1\n  b: 2\n", "f.yaml:3: x.b: found a second time, first in line 2; allowed: once"),
    ("a: &x 1\n", "f.yaml:1: a: found the anchor &x; allowed: values written out"),
    ("a: 1\nb: *x\n", "f.yaml:2: b: found the alias *x; allowed: values written out"),
    ("a: !!python/name:os.system\n", "f.yaml:1: a: found the tag"),
    ("a: 1\n---\nb: 1\n", "f.yaml:2: found a second document; allowed: one a file"),
    ("a:\n\tb: 1\n", "f.yaml:2: found a tab; allowed: spaces before a key"),
    ("", "f.yaml: found nothing in the file; allowed: keys with values"),
    ("# only a comment\n", "f.yaml: found nothing in the file; allowed: keys with values"),
    ("- a\n- b\n", "f.yaml:1: found a list or a single value; allowed: keys with values"),
    ("word", "f.yaml:1: found a list or a single value; allowed: keys with values"),
    ("? [a, b]\n: 1\n", "f.yaml:1: found a list or mapping as a key; allowed: a name"),
    ("a: b: c\n", "f.yaml:1: no YAML at column 5: mapping values are not allowed here"),
    ("a: [1, 2\nb: 3\n", "f.yaml:2: no YAML at column 2: expected ',' or ']', but got ':'"),
    ("a: 'x\n", "f.yaml:2: no YAML at column 1: found unexpected end of stream"),
    (b"a: 1\nb: \xff\n", "f.yaml:2: found bytes that are not UTF-8; allowed: UTF-8 text"),
    ("a: 1\n".encode("utf-16"), "f.yaml:1: found bytes that are not UTF-8; allowed: UTF-8 text"),
    (b"a: 1\nb: \x00\n", "f.yaml:2: found a control character; allowed: text"),
    ("a: " + "[" * 5000, "f.yaml:1: found values nested more than 20 deep; allowed: fewer"),
]


@pytest.mark.parametrize("loader", ["C", "pure"])
@pytest.mark.parametrize(("text", "line"), BAD)
def test_bad_yaml_is_one_line_whatever_the_parser(text, line, loader, monkeypatch):
    if loader == "pure":
        monkeypatch.setattr(yaml_source, "LOADER", yaml.SafeLoader)
    else:
        assert issubclass(yaml_source.LOADER, yaml.CSafeLoader)
    found = faults_of(text)
    assert len(found) == 1
    assert found[0].startswith(line)
    assert "\n" not in found[0]


def test_a_billion_laughs_are_refused_at_the_first():
    lines = ['a: &a ["ha", "ha"]']
    lines += [f"{b}: &{b} [*{a}, *{a}, *{a}]" for a, b in zip("abcdefgh", "bcdefghi", strict=True)]
    assert faults_of("\n".join(lines)) == [
        "f.yaml:1: a: found the anchor &a; allowed: values written out"
    ]


def test_a_byte_order_mark_is_no_fault():
    faults = Faults()
    table = parse_yaml("\ufeffa: 1\n".encode(), "f.yaml", faults)
    assert list(table.entries) == ["a"]
    assert not faults.problems


def test_nodes_keep_line_and_key():
    table = parse_yaml(b"a:\n  - b: 1\n    c: [x,\n      y]\n", "f.yaml", Faults())
    inner = table.entries["a"].items[0]
    last = inner.entries["c"].items[1]
    assert (last.place.line, last.place.key) == (4, "a[0].c[1]")


@pytest.mark.parametrize("key", ["on", "no", "010", "null"])
def test_keys_are_never_booleans_or_numbers(key):
    assert list(parse_yaml(f"{key}: 1\n".encode(), "f.yaml", Faults()).entries) == [key]


def read_faults(path) -> str:
    faults = Faults()
    assert read_yaml(path, faults) is None
    (line,) = faults.lines()
    return line


def test_what_is_no_ordinary_file_is_one_line(tmp_path):
    assert read_faults(tmp_path).endswith("found a directory; allowed: an ordinary file")
    missing = read_faults(tmp_path / "none.yaml")
    assert missing.endswith("none.yaml: cannot be opened: no such file or directory")
    big = tmp_path / "big.yaml"
    big.write_bytes(b"a: " + b"x" * 10_000_000)
    assert "found more than 500,000 bytes" in read_faults(big)
    assert "null" in read_faults(tmp_path / "a\0b")


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "pipe.yaml"
    os.mkfifo(pipe)
    found = []
    reader = threading.Thread(target=lambda: found.append(read_faults(pipe)), daemon=True)
    reader.start()
    reader.join(10)  # a hang would last for ever; nothing here is timed
    assert found and "found a pipe, socket or device" in found[0]


def test_a_file_without_permission_is_one_line(tmp_path):
    path = tmp_path / "shut.yaml"
    path.write_text("a: 1\n")
    path.chmod(0)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)  # root may read anything, nobody may not
    try:
        assert read_faults(path).endswith("cannot be opened: permission denied")
    finally:
        os.seteuid(was)


def test_long_and_unprintable_values_are_shown_short_and_safe():
    assert yaml_source.escaped("\x1b[31mred\n") == "\\x1b[31mred\\n"
    assert len(yaml_source.escaped("x" * 500)) == 60


@pytest.mark.parametrize("line", ["scale: dorian #4", "scale: lydian b7 #2 ", "r: {scale: a #4}"])
def test_a_sharp_that_yaml_takes_for_a_comment_is_told(line):
    """A preset's name may hold a sharp; YAML reads the rest of the line as a comment."""
    told = [text for text in faults_of(f"title: x\n{line}\n") if "comment" in text]
    assert len(told) == 1
    assert told[0].startswith("f.yaml:2: found ") and told[0].endswith('" in quotes')


@pytest.mark.parametrize("line", ["scale: 'dorian #4'", "scale: dorian # 4 voices", "scale: a"])
def test_an_ordinary_comment_is_none(line):
    assert faults_of(f"{line}\n") == []
