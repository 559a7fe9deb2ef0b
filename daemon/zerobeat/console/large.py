"""The status in letters that are read two metres away: what is wrong, the scene, what comes.

Letters are five cells of a small grid wide and five high, each cell two columns of the terminal
where there is room and one where there is not, drawn with ``#``: every terminal has it.
"""

from __future__ import annotations

from .cells import clean, fit, wrap_cells
from .line import Line, Mark, StatusFields
from .problems import how_it_stands
from .screen import evening_transposition, waits_line

HEIGHT = 5
# Five rows of a letter, each row the bits of up to five cells, the left one highest.
_GRIDS = {
    "A": "01110 10001 11111 10001 10001",
    "B": "11110 10001 11110 10001 11110",
    "C": "01111 10000 10000 10000 01111",
    "D": "11110 10001 10001 10001 11110",
    "E": "11111 10000 11110 10000 11111",
    "F": "11111 10000 11110 10000 10000",
    "G": "01111 10000 10011 10001 01111",
    "H": "10001 10001 11111 10001 10001",
    "I": "111 010 010 010 111",
    "J": "00111 00010 00010 10010 01100",
    "K": "10010 10100 11000 10100 10010",
    "L": "1000 1000 1000 1000 1111",
    "M": "10001 11011 10101 10001 10001",
    "N": "10001 11001 10101 10011 10001",
    "O": "01110 10001 10001 10001 01110",
    "P": "11110 10001 11110 10000 10000",
    "Q": "01110 10001 10101 10010 01101",
    "R": "11110 10001 11110 10010 10001",
    "S": "01111 10000 01110 00001 11110",
    "T": "11111 00100 00100 00100 00100",
    "U": "10001 10001 10001 10001 01110",
    "V": "10001 10001 10001 01010 00100",
    "W": "10001 10001 10101 11011 10001",
    "X": "10001 01010 00100 01010 10001",
    "Y": "10001 01010 00100 00100 00100",
    "Z": "11111 00010 00100 01000 11111",
    "0": "01110 10011 10101 11001 01110",
    "1": "010 110 010 010 111",
    "2": "11110 00001 01110 10000 11111",
    "3": "11110 00001 01110 00001 11110",
    "4": "10010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 11110",
    "6": "01111 10000 11110 10001 01110",
    "7": "11111 00010 00100 01000 01000",
    "8": "01110 10001 01110 10001 01110",
    "9": "01110 10001 01111 00001 11110",
    "-": "000 000 111 000 000",
    "+": "000 010 111 010 000",
    ".": "0 0 0 0 1",
    ",": "00 00 00 01 10",
    ":": "0 1 0 1 0",
    "/": "00001 00010 00100 01000 10000",
    "'": "1 1 0 0 0",
    "#": "01010 11111 01010 11111 01010",
    "&": "01100 10010 01100 10010 01101",
    "!": "1 1 1 0 1",
    "(": "01 10 10 10 01",
    ")": "10 01 01 01 10",
    " ": "000 000 000 000 000",
    "?": "1110 0001 0110 0000 0100",
}
_UNKNOWN = _GRIDS["?"]


def letters(text: str, columns: int) -> list[str]:
    """Return a text in large letters: five lines, as wide as there is room, the end cut."""
    grids = [_GRIDS.get(letter, _UNKNOWN).split() for letter in text.upper()]
    for wide in (2, 1):
        while grids and (wide == 1 or _columns(grids, wide) <= columns):
            if _columns(grids, wide) <= columns:
                return [_row(grids, row, wide) for row in range(HEIGHT)]
            grids = grids[:-1]
    return [""] * HEIGHT


def _columns(grids: list[list[str]], wide: int) -> int:
    return wide * (sum(len(grid[0]) + 1 for grid in grids) - 1)


def _row(grids: list[list[str]], row: int, wide: int) -> str:
    bits = "0".join(grid[row] for grid in grids)
    return "".join(("#" if bit == "1" else " ") * wide for bit in bits).rstrip()


def large_lines(
    shown: StatusFields, columns: int, rows: int | None, ascii_only: bool
) -> list[Line]:
    """Return what matters on stage: the first line as everywhere, then large letters.

    Args:
        shown: the answer to the command ``status``.
        columns, rows: of the terminal; what does not fit below is left out.
        ascii_only: other characters become ``?``.
    """
    text, wrong = how_it_stands(shown)
    lines = [Line(line, "bad" if wrong else "good") for line in wrap_cells(text, columns)[:2]]
    for what, mark in _facts(shown):
        if rows is not None and len(lines) + 1 + HEIGHT > rows:
            break
        lines += [Line(""), *(Line(line, mark) for line in letters(what, columns))]
    room = None if rows is None else rows - len(lines)
    waiting = waits_line(shown, " left")
    under = wrap_cells(waiting.text, columns) if waiting.mark else []
    if under and (room is None or room > len(under)):
        lines += [Line(""), *(Line(line, waiting.mark) for line in under)]
    return [Line(fit(clean(line.text, ascii_only), columns).rstrip(), line.mark) for line in lines]


def _facts(shown: StatusFields) -> list[tuple[str, Mark]]:
    """Return what is written large, the most important first."""
    scene = str(shown.get("scene", "?"))
    facts: list[tuple[str, Mark]] = [(scene, "head")]
    waits = shown.get("waits")
    order, position = shown.get("set_list", ()), shown.get("position")
    clock = shown.get("clock") or {}
    if shown.get("ends"):
        left = clock.get("beats_left")
        what = waits["name"] if waits is not None and waits["name"] != scene else "waits"
        facts.append((f"{left} {what}" if left is not None else f"+ {what}", "waits"))
    elif position is not None and position + 1 < len(order):
        facts.append((f"+ {order[position + 1]}", ""))
    voices = shown.get("voices", ())
    if any(voice["bypass"] for voice in voices):
        facts.append(("raw", "bad"))
    moved = evening_transposition(shown)
    return facts + ([(moved, "")] if moved else [])
