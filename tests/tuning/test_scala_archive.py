"""Every file of a published archive of scales, read and compared; nothing is copied.

The archive comes with the PyPI package music21 (10.5.1: 3,932 files). A second
reader is written below from the format page, plainly and for this test alone;
a third is the PyPI package tuning_library.
"""

import importlib.util
from collections import Counter
from fractions import Fraction
from pathlib import Path

import pytest
import tuning_library

from kit.published_figures import published
from zerobeat.errors import ScaleFileError
from zerobeat.tuning.scala import parse_scl

FOLDER = Path(importlib.util.find_spec("music21").origin).parent / "scale" / "scala" / "scl"
MALFORMED = "sparschuh-stanhope.scl"  # holds 697//441
EMPTY = "xxx.scl"  # legal: no notes


@pytest.fixture(scope="module")
def archive():
    contents = {path.name: path.read_bytes() for path in sorted(FOLDER.glob("*.scl"))}
    assert len(contents) > 3000, "the archive was not found"
    return contents


def pitch_tokens(content: bytes) -> list[str]:
    """Return each pitch line without its label, blanks around a slash closed up."""
    lines = content.decode("latin-1").replace("\r", "").split("\n")
    lines = [line for line in lines if not line.startswith("!")]
    tokens = []
    for line in lines[2 : 2 + int(lines[1])]:
        text = line.replace("\t", " ").strip()
        while " /" in text or "/ " in text:
            text = text.replace(" /", "/").replace("/ ", "/")
        end = 0
        while end < len(text) and text[end] in "-0123456789./":
            end += 1
        tokens.append(text[:end])
    return tokens


def listed(scale) -> list[float]:
    values = [*scale.degrees_cents[1:], scale.period_cents]
    return [] if values == [0.0] else values


def test_every_file_is_read_as_the_format_page_says(archive):
    refused = []
    for name, content in archive.items():
        try:
            ours = listed(parse_scl(content, name))
        except ScaleFileError as error:
            refused.append(name)
            assert str(error).startswith(f"{name}:12: pitch 8 of 12: found '697//441")
            continue
        tokens = pitch_tokens(content)
        assert len(ours) == len(tokens), name
        for cents, token in zip(ours, tokens, strict=True):
            if "." in token:
                assert cents == float(token), (name, token)
            else:
                # 2 to the cents is the ratio: a check that takes no logarithm.
                ratio = 2.0 ** (cents / 1200.0)
                assert ratio == pytest.approx(float(Fraction(token)), rel=1e-12), (name, token)
    assert refused == [MALFORMED]


def test_facts_of_the_archive(archive):
    wanted = published("scl/archive_lines")
    if len(archive) != wanted["scl_files"]:
        pytest.skip(f"counted for 3,932 files; this music21 has {len(archive)}")
    facts = published("scl/archive_facts")
    scales = {n: parse_scl(c, n) for n, c in archive.items() if n != MALFORMED}
    pitches = {name: listed(scale) for name, scale in scales.items()}
    assert [name for name, cents in pitches.items() if not cents] == [EMPTY]
    assert max(map(len, pitches.values())) == facts["most notes"]
    kinds = Counter()
    for tokens in map(pitch_tokens, archive.values()):
        for token in tokens:
            # The malformed 697//441 was counted as the integer that it starts with.
            ratio = "/" in token and "//" not in token
            kinds["cents" if "." in token else "ratio" if ratio else "integer"] += 1
    assert sum(kinds.values()) == wanted["pitch_lines"]
    assert kinds == {k: wanted[f"{k}_lines"] for k in ("cents", "ratio", "integer")}
    assert sum(map(len, pitches.values())) == wanted["pitch_lines"] - 12
    # Twelve lines and one octave are of the file that is refused.
    ends = [cents[-1] for cents in pitches.values() if cents]
    assert sum(abs(end - 1200.0) > 1e-6 for end in ends) == facts["files not ending on 1200 cents"]
    falling = sum(any(b <= a for a, b in zip([0.0, *c], c, strict=False)) for c in pitches.values())
    assert falling == facts["files not rising"] - 1  # read as 697, the malformed one falls too
    below = sum(sum(cents < 0.0 for cents in c) for c in pitches.values())
    assert below == facts["negative cents lines"] + facts["ratio lines below 1"]


def dotted_label(content: bytes) -> bool:
    """A ratio or integer whose label holds a dot; the other reader takes it for cents."""
    lines = content.decode("latin-1").replace("\r", "").split("\n")
    lines = [line for line in lines if not line.startswith("!")]
    tokens = pitch_tokens(content)
    return any(
        "." not in token and "." in line for token, line in zip(tokens, lines[2:], strict=False)
    )


def huge_terms(content: bytes) -> bool:
    return any(
        int(term) >= 2**63
        for token in pitch_tokens(content)
        if "." not in token
        for term in token.split("/")
        if term
    )


def test_every_file_agrees_with_another_reader(archive):
    differing = []
    for name, content in archive.items():
        if name in (MALFORMED, EMPTY):
            continue
        ours = listed(parse_scl(content, name))
        try:
            text = content.decode("latin-1").encode("ascii", "replace").decode()
            theirs = [tone.cents for tone in tuning_library.parse_scl_data(text).tones]
        except tuning_library.TuningError:
            theirs = None
        if theirs is None or ours != pytest.approx(theirs, abs=1e-6):
            differing.append(name)
            # Its two known deviations from the format.
            assert dotted_label(content) or huge_terms(content), name
    assert 0 < len(differing) < 0.02 * len(archive)


def test_the_second_reader_can_tell(archive):
    """The comparison above is no tautology: it catches a misread label."""
    assert any(map(dotted_label, archive.values()))
    assert any(map(huge_terms, archive.values()))
