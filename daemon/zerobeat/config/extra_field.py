"""``extra``: other sockets of a converter (its file), and what drives them (the rig).

extra:                                         # in the converter's file
  cutoff: {controller: 20, channel_number: 16}
  accent: {note: 36, channel_number: 10}
  level: {pressure: true, channel_number: 5}

extra:                                         # in the rig, under the converter's name
  cutoff: {input: keys, from: wheel, smooth_ms: 30}
  accent: {input: keys, from: velocity}
  level: {input: feet, controller: 11}
"""

from __future__ import annotations

from ..engine.limits import SOCKET_CONTROLLERS
from ..engine.settings import ExtraRoute, ExtraSocket
from ..errors import one_of
from .context import Context
from .fields import Section

MOVES = ("wheel", "velocity", "slide", "pressure")
DRIVES = ("controller", "pressure", "note")


def read_sockets(section: Section, before: tuple[ExtraSocket, ...]) -> tuple[ExtraSocket, ...]:
    """Return the sockets of a converter's section; ``before`` where it says nothing of them."""
    if not section.has("extra"):
        return before
    found: list[ExtraSocket] = []
    for name, inner in section.named_sections("extra"):
        given = [key for key in DRIVES if inner.has(key)]
        channel = inner.channel("channel_number", None, required=True)
        number = 0
        if len(given) != 1:
            text = f"found {' and '.join(given) or 'nothing'}; allowed: one of {', '.join(DRIVES)}"
            section.faults.add(inner.place, text)
        elif given[0] == "controller":
            number = inner.whole("controller", 1, 0, 127)
            if number not in SOCKET_CONTROLLERS:
                text = f"found {number}, a bank, parameter or mode; allowed: another controller"
                section.faults.add(inner.at("controller"), text)
        elif given[0] == "note":
            number = inner.note("note", 0)
        elif not inner.flag("pressure", True):
            section.faults.add(inner.at("pressure"), "found false; allowed: true")
        inner.asked += DRIVES
        inner.close()
        kind = given[0] if given else DRIVES[0]
        found.append(ExtraSocket(name, kind, channel or 0, number))  # type: ignore[arg-type]  # one of DRIVES
    return tuple(found)


def read_routes(
    section: Section, output: str, sockets: tuple[ExtraSocket, ...], context: Context
) -> list[ExtraRoute]:
    """Return what drives the sockets of an output."""
    by_name = {socket.name: socket for socket in sockets}
    found: list[ExtraRoute] = []
    for name, inner in section.named_sections("extra"):
        source = inner.text("input", None, required=True)
        given = [key for key in ("from", "controller") if inner.has(key)]
        what = inner.choice("from", "controller", MOVES)
        controller = inner.whole("controller", 0, 0, 127)
        smooth_s = inner.number("smooth_ms", 0.0, 0.0, 10_000.0) / 1000.0
        inner.close()
        if len(given) != 1:
            text = f"found {' and '.join(given) or 'nothing'}; allowed: from or controller"
            section.faults.add(inner.place, text)
        if name not in by_name:
            allowed = f"a name under extra of the converter's file: {one_of(name, by_name)}"
            section.faults.add(inner.place, f"found {name}; allowed: {allowed}")
        elif source is not None and context.inputs is not None and source not in context.inputs:
            allowed = f"an input of the rig: {one_of(source, context.inputs)}"
            section.faults.add(inner.at("input"), f"found {source}; allowed: {allowed}")
        elif by_name[name].kind == "note" and (what != "velocity" or smooth_s):
            text = "found another drive of a note"
            section.faults.add(inner.place, f"{text}; allowed: from velocity, without smooth_ms")
        elif source is not None:
            found.append(ExtraRoute(output, by_name[name], source, what, controller, smooth_s))
    return found


def extra_facts(routes: tuple[ExtraRoute, ...], output: str) -> list[str]:
    """Return what ``check`` says of an output's routes."""
    found: list[str] = []
    for route in routes:
        if route.output == output:
            what = f"controller {route.controller}" if route.what == "controller" else route.what
            smooth = f", smoothed over {1000 * route.smooth_s:g} ms" if route.smooth_s else ""
            found.append(f"{route.socket.name}: {what} of {route.input}{smooth}")
    return found
