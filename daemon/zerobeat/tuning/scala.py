"""Readers of ``.scl`` scale files and ``.kbm`` keyboard maps.

Strict: what the format does not settle is refused with file, line and text,
never guessed. Bytes are UTF-8, else ISO 8859-1; a byte order mark is dropped;
lines end in LF, CRLF or CR.

``.scl``: a pitch is decided on its first token alone: with a dot cents, with a
slash a ratio, a bare integer n is n/1; text after it is ignored. A decimal
comma, an exponent, a second slash, a sign before a ratio, a blank line among
the pitches and words after the count are refused; lines after the last pitch
are ignored.

``.kbm``: an unmapped key (``x``, or left out at the end) and a key outside
first to last is silent here: it has no pitch, and a correction has nothing to
aim at. The period of the map is the *pitch* of the formal octave; -1 is the
degree below 0.

Source: the format pages of the Huygens-Fokker foundation, for both files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from os import PathLike
from pathlib import Path

from ..errors import ScaleFileError
from .scale import Scale
from .units import hertz_to_pitch, ratio_to_cents

MAX_FILE_BYTES = 1_000_000
_MAX_DIGITS = 1000
_LINE_END = re.compile(r"\r\n|\r|\n")
_BLANKS = " \t"
_COUNT = re.compile(r"[ \t]*([0-9]{1,7})[ \t]*")
_CENTS = re.compile(r"(-?(?:[0-9]+\.[0-9]*|\.[0-9]+))(?![0-9.]|[eE][-+]?[0-9]|,[0-9]|[ \t]*/)")
_RATIO = re.compile(r"([0-9]+)[ \t]*/[ \t]*([0-9]+)(?![0-9]|[.,][0-9]|[ \t]*/)")
_INTEGER = re.compile(r"([0-9]+)(?![0-9.]|,[0-9]|[ \t]*/|[eE][-+]?[0-9])")
_PITCH_ALLOWED = "cents with a dot (701.955), a ratio above 0 (3/2) or a whole number above 0"
_KBM_FIELDS = (
    "size of map",
    "first key",
    "last key",
    "middle key",
    "reference key",
    "reference frequency",
    "formal octave",
)


@dataclass(frozen=True, slots=True)
class KeyboardMap:
    """What each MIDI key sounds.

    Args:
        name: file name without its suffix.
        pitches_cents: 128 pitches in cents above key 0 at a concert A of
            440 Hz, so that the file's hertz sound as written there; another
            concert pitch moves them with everything else. None is silent.
    """

    name: str
    pitches_cents: tuple[float | None, ...]

    def pitch_of_key(self, key: int) -> float | None:
        """Return the pitch of a key 0 to 127, or None if it is silent."""
        return self.pitches_cents[key]


def read_scl(path: str | PathLike[str]) -> Scale:
    """Return the scale of a ``.scl`` file.

    Raises:
        ScaleFileError: unreadable, or it breaks the format; one line with
            file, line and text.
    """
    return parse_scl(_read(path), str(path))


def parse_scl(content: bytes, file: str) -> Scale:
    """Return the scale of the bytes of a ``.scl`` file; ``file`` is for errors.

    The name is the description, or the file's own name where that is empty.
    A scale of zero notes has one degree and a period of 0.0.
    """
    lines = _lines(content, file)
    number, description = _next(lines, file, "description", "a line, which may be empty")
    number, text = _next(lines, file, "number of notes", "a whole number")
    match = _COUNT.fullmatch(text)
    if match is None:
        raise _fault(file, number, "number of notes", text, "a whole number alone on its line")
    count = int(match[1])
    cents: list[float] = []
    while len(cents) < count:
        what = f"pitch {len(cents) + 1} of {count}"
        number, text = _next(lines, file, what, _PITCH_ALLOWED)
        cents.append(_pitch(text, file, number, what))
    name = description.strip() or Path(file).stem
    if not cents:
        return Scale(name, (0.0,), 0.0)
    return Scale(name, (0.0, *cents[:-1]), cents[-1])


def read_kbm(path: str | PathLike[str], scale: Scale) -> KeyboardMap:
    """Return the keyboard map of a ``.kbm`` file for a scale.

    Raises:
        ScaleFileError: unreadable, it breaks the format, or its reference key
            is unmapped; one line with file, line and text.
    """
    return parse_kbm(_read(path), str(path), scale)


def parse_kbm(content: bytes, file: str, scale: Scale) -> KeyboardMap:
    """Return the keyboard map of the bytes of a ``.kbm`` file."""
    lines = _lines(content, file)
    header: dict[str, tuple[int, str]] = {}
    for what in _KBM_FIELDS:
        header[what] = _next(lines, file, what, "seven lines: " + ", ".join(_KBM_FIELDS))
    size = _whole(file, "size of map", header, 0, 10_000)
    first = _whole(file, "first key", header, 0, 127)
    last = _whole(file, "last key", header, first, 127)
    middle = _whole(file, "middle key", header, 0, 127)
    reference = _whole(file, "reference key", header, 0, 127)
    hertz = _hertz(file, *header["reference frequency"])
    octave = _whole(file, "formal octave", header, 0, 10_000)
    entries = _entries(lines, file, size)
    degrees = scale.degrees_cents
    period = scale.pitch_of_degree(octave or len(degrees))

    def above_middle(key: int) -> float | None:
        if size == 0:
            return scale.pitch_of_degree(key - middle)
        patterns, index = divmod(key - middle, size)
        degree = entries[index]
        return None if degree is None else patterns * period + scale.pitch_of_degree(degree)

    at_reference = above_middle(reference)
    if at_reference is None:
        number, text = header["reference key"]
        raise _fault(file, number, "reference key", text, "a key that the map gives a degree")
    shift = hertz_to_pitch(hertz) - at_reference
    pitches: list[float | None] = []
    for key in range(128):
        pitch = above_middle(key) if first <= key <= last else None
        pitches.append(None if pitch is None else pitch + shift)
    return KeyboardMap(Path(file).stem, tuple(pitches))


def _read(path: str | PathLike[str]) -> bytes:
    try:
        if Path(path).is_fifo() or Path(path).is_char_device():  # a pipe would be waited for
            raise ScaleFileError(f"{path}: found a pipe or device; allowed: a file")
        with open(path, "rb") as stream:
            content = stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise ScaleFileError(f"{path}: {error.strerror or error}") from None
    if len(content) > MAX_FILE_BYTES:
        raise ScaleFileError(f"{path}: found more than {MAX_FILE_BYTES} bytes; not a scale file")
    return content


def _lines(content: bytes, file: str) -> Iterator[tuple[int, str]]:
    """Yield line number and text of each line that is not a comment."""
    if b"\0" in content:
        raise ScaleFileError(f"{file}:1: encoding: found NUL bytes; allowed: UTF-8, ISO 8859-1")
    content = content.removeprefix(b"\xef\xbb\xbf")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    texts = _LINE_END.split(text)
    if texts[-1] == "":
        texts.pop()
    return ((n, line) for n, line in enumerate(texts, 1) if not line.startswith("!"))


def _next(lines: Iterator[tuple[int, str]], file: str, what: str, allowed: str) -> tuple[int, str]:
    for number, text in lines:
        return number, text
    raise ScaleFileError(f"{file}: {what}: found the end of the file; allowed: {allowed}")


def _fault(file: str, number: int, what: str, text: str, allowed: str) -> ScaleFileError:
    return ScaleFileError(f"{file}:{number}: {what}: found {text[:80]!r}; allowed: {allowed}")


def _pitch(text: str, file: str, number: int, what: str) -> float:
    token = text.lstrip(_BLANKS)
    if match := _CENTS.match(token):
        cents = float(match[1])
        if math.isfinite(cents):
            return cents
    elif match := _RATIO.match(token) or _INTEGER.match(token):
        terms = match.groups()
        if max(map(len, terms)) <= _MAX_DIGITS:
            upper, lower = int(terms[0]), int(terms[1]) if len(terms) > 1 else 1
            if upper and lower:
                return ratio_to_cents(Fraction(upper, lower))
    raise _fault(file, number, what, text, _PITCH_ALLOWED)


def _whole(
    file: str, what: str, header: dict[str, tuple[int, str]], lowest: int, highest: int
) -> int:
    number, text = header[what]
    match = _COUNT.fullmatch(text)
    if match is None or not lowest <= int(match[1]) <= highest:
        raise _fault(file, number, what, text, f"a whole number, {lowest} to {highest}")
    return int(match[1])


def _hertz(file: str, number: int, text: str) -> float:
    match = re.fullmatch(r"[ \t]*([0-9]{1,9}(?:\.[0-9]*)?|\.[0-9]+)[ \t]*", text)
    if match is None or not float(match[1]) > 0.0:
        raise _fault(file, number, "reference frequency", text, "hertz above 0, like 440.0")
    return float(match[1])


def _entries(lines: Iterator[tuple[int, str]], file: str, size: int) -> list[int | None]:
    """Return ``size`` degrees, None where a key is unmapped or left out."""
    entries: list[int | None] = []
    blank: tuple[int, str] | None = None
    for number, text in lines:
        token = text.strip(_BLANKS)
        if not token:
            blank = blank or (number, text)
            continue
        if blank or len(entries) >= size:
            line, found = blank or (number, text)
            raise _fault(file, line, "map", found, f"{size} entries, one a line")
        if token in ("x", "X"):
            entries.append(None)
        elif re.fullmatch(r"-?[0-9]{1,6}", token):
            entries.append(int(token))
        else:
            raise _fault(file, number, "map", text, "a scale degree, or x for no sound")
    return entries + [None] * (size - len(entries))
