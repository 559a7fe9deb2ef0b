"""The rig file: inputs, converters, voices and scenes, with the files it names.

The player writes it; the program never does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from ..engine.limits import CONCERT_A_RANGE_HZ
from ..engine.pedals.bindings import Pedalboard
from ..engine.settings import MESSAGE_CLASSES, ExtraRoute, Input, Output, Rig, Scene, Voice
from .audio_field import AudioInput, ListenSettings, read_audio_inputs, read_listening
from .context import Context
from .converter_file import ConverterFile, read_converter
from .curve_field import read_curve
from .extra_field import read_routes
from .faults import Place
from .fields import Section, found
from .follow_field import FollowSettings, read_follow
from .mpe_field import check_plays, read_mpe
from .page_field import PageSettings, read_page
from .port_field import read_port
from .profile_file import Profile
from .rig_checks import check_pedalboards, check_rig, check_scenes
from .rig_pedals import check_lights, read_pedal_settings, read_pedalboards
from .rig_scenes import read_scenes
from .stored_files import StoredFiles
from .voice_field import profile_file, read_tuning_input, read_voice
from .yaml_source import Scalar, read_yaml

LONGEST_RIG_NAME = 40
LONGEST_PORT_NAME = 43  # bytes: 63 of a client of the MIDI system, less "zerobeat out  lights"
MIDDLE_C_NAMES = {"C3": 3, "C4": 4, "C5": 5}


@dataclass(frozen=True, slots=True)
class LoadedRig:
    """A rig with the content of all files that it names.

    ``scenes`` are in the order of the set list. ``profiles``, ``converters``
    and ``pedalboards`` are by the name of the voice, the output and the input;
    ``listening`` (for measuring) is by the name of the voice. ``scene_files``
    and ``profile_files`` have the names in the store, of scenes by title and of
    profiles by voice; "" where the rig says ``profile: none``.
    """

    rig: Rig
    scenes: tuple[Scene, ...]
    warnings: list[str]
    files_read: tuple[Path, ...]
    profiles: dict[str, Profile] = field(default_factory=dict)
    converters: dict[str, ConverterFile] = field(default_factory=dict)
    pedalboards: dict[str, Pedalboard] = field(default_factory=dict)
    audio_inputs: dict[str, AudioInput] = field(default_factory=dict)
    listening: dict[str, ListenSettings] = field(default_factory=dict)
    scene_files: dict[str, str] = field(default_factory=dict)
    profile_files: dict[str, str] = field(default_factory=dict)
    follow: FollowSettings = FollowSettings()
    name: str = ""  # what the state belongs to; "": none
    page: PageSettings = PageSettings()

    def parts(self) -> Iterator[object]:
        """Return what takes long to pickle, in slices."""
        yield from self.rig.voices
        yield from self.profiles.values()
        for scene in self.scenes:
            yield from scene.voices.values()


def is_rig_name(name: str) -> bool:
    """Return whether a folder can have this name, too."""
    return (
        0 < len(name) <= LONGEST_RIG_NAME
        and name.isprintable()
        and name == name.strip()
        and name[0] != "."
        and "/" not in name
    )


def read_rig(path: str | Path, stored: StoredFiles | None = None) -> LoadedRig:
    """Return a rig and its scenes.

    Args:
        path: the rig file.
        stored: scenes and profiles that the daemon stored; they take precedence over the player's.

    Raises:
        ConfigError: every fault of the rig file and of each file it names,
            in file order.
    """
    path = Path(path)
    context = Context(path.parent, stored)
    context.note_read(path)
    table = read_yaml(path, context.faults)
    loaded = None if table is None else read_rig_section(Section(table, context.faults), context)
    context.faults.raise_any()
    assert loaded is not None
    return loaded


def read_rig_section(section: Section, context: Context) -> LoadedRig:
    """Return the rig of a section; faults are added to those of the context."""
    context.middle_c_octave = section.middle_c_octave = _middle_c(section)
    context.program_numbers_from = section.whole("program_numbers_from", 1, 0, 1)
    inputs = tuple(_input(n, inner) for n, inner in section.named_sections("inputs", required=True))
    context.inputs = tuple(source.name for source in inputs)
    context.tuning_from = read_tuning_input(section, context)
    pedalboards = read_pedalboards(inputs, section, context)
    extra: list[ExtraRoute] = []
    outputs, converters = _outputs(section, context, extra)
    profiles: dict[str, Profile] = {}
    audio_inputs = read_audio_inputs(section)
    listening: dict[str, ListenSettings] = {}
    profile_files: dict[str, str] = {}
    voices = _voices(
        section, context, outputs, converters, profiles, audio_inputs, listening, profile_files
    )
    clock_from = section.text("clock_from", None)
    context.has_clock = clock_from is not None
    rig = Rig(
        inputs=inputs,
        outputs=tuple(outputs.values()),
        voices=voices,
        clock_from=clock_from,
        extra=tuple(extra),
        program_numbers_from=context.program_numbers_from,
        middle_c_octave=context.middle_c_octave,
        concert_a_hz=section.number("concert_a_hz", 440.0, *CONCERT_A_RANGE_HZ),
        on_return=section.choice("on_return", "silent", ("silent", "strike")),
    )
    bank = read_scenes(section, context)
    scenes = bank.scenes
    pedal_settings = read_pedal_settings(section, scenes, bank.files, context.faults)
    rig = replace(rig, start_scene=bank.start, pedalboards=pedalboards, **pedal_settings)
    name = _name(section)
    follow = read_follow(section)
    page = read_page(section)
    section.close()
    check_rig(rig, section, context.faults)
    check_scenes(scenes, rig, section, context.faults)
    check_lights(rig, section, context.faults)
    check_pedalboards(pedalboards, scenes, rig, section, context.faults)
    return LoadedRig(
        rig=rig,
        scenes=tuple(scenes),
        warnings=context.faults.warnings,
        files_read=tuple(context.files_read),
        profiles=profiles,
        converters=converters,
        pedalboards=pedalboards,
        audio_inputs=audio_inputs,
        listening=listening,
        scene_files=bank.files,
        profile_files=profile_files,
        follow=follow,
        name=name,
        page=page,
    )


def _name(section: Section) -> str:
    name = section.text("name", "")
    if section.has("name") and not is_rig_name(name):
        allowed = f"up to {LONGEST_RIG_NAME} printable characters without / and no dot in front"
        section.faults.add(section.at("name"), f"found {name or 'nothing'}; allowed: {allowed}")
    return name


def _voices(
    section: Section,
    context: Context,
    outputs: dict[str, Output],
    converters: dict[str, ConverterFile],
    profiles: dict[str, Profile],
    audio_inputs: dict[str, AudioInput],
    listening: dict[str, ListenSettings],
    profile_files: dict[str, str],
) -> tuple[Voice, ...]:
    places: dict[str, Section] = {}
    voices: list[Voice] = []
    for name, inner in section.named_sections("voices", required=True):
        places[name] = inner
        listening[name] = read_listening(inner, audio_inputs)
        profile_files[name] = profile_file(name, inner)
        voice = read_voice(name, inner, context, outputs, converters, profiles)
        if voice is not None:
            voices.append(voice)
    context.voices = tuple(places)
    # A wrong value of gate is reported once, at its own line.
    context.drones = frozenset(name for name, inner in places.items() if not _gate_closes(inner))
    return tuple(voices)


def _gate_closes(section: Section) -> bool:
    node = section.table.entries.get("gate")
    return node is None or (isinstance(node, Scalar) and node.text == "closes")


def _middle_c(section: Section) -> int:
    node = section.node("middle_c")
    if node is None:
        return 4
    if isinstance(node, Scalar) and node.text.upper() in MIDDLE_C_NAMES:
        return MIDDLE_C_NAMES[node.text.upper()]
    allowed = "the name of key 60 here: C3, C4 or C5"
    section.faults.add(node.place, f"found {found(node)}; allowed: {allowed}")
    return 4


# ---------------------------------------------------------------- ports


def _check_port_name(name: str, section: Section) -> None:
    """Refuse a name that the MIDI system would cut in the name of zerobeat's own port."""
    size = len(name.encode("utf-8", "replace"))
    if size > LONGEST_PORT_NAME:
        allowed = f"{LONGEST_PORT_NAME}, which is what the name of a port holds"
        section.faults.add(section.place, f"found a name of {size} bytes; allowed: {allowed}")


def _input(name: str, section: Section) -> Input:
    _check_port_name(name, section)
    port, is_pattern = read_port(section)
    lights, lights_is_pattern = read_port(section, "lights", required=False)
    pedalboard = section.text("pedalboard", None)
    mpe = read_mpe(section)
    source = Input(
        name=name,
        port=port,
        port_is_pattern=is_pattern,
        channel=section.channel("channel_number", None),
        wheel_cents=section.number("wheel_cents", 200.0, 0.0, 4800.0),
        active_sensing=section.flag("active_sensing", True),
        plays=section.flag("plays", pedalboard is None),
        pedalboard=pedalboard,
        lights=lights,
        lights_is_pattern=lights_is_pattern,
        response=read_curve(section),
        mpe=mpe,
        glide_controllers=section.flag("glide_controllers", False),
    )
    check_plays(section, mpe, source.plays)
    section.close()
    return source


def _outputs(
    section: Section, context: Context, extra: list[ExtraRoute]
) -> tuple[dict[str, Output], dict[str, ConverterFile]]:
    outputs: dict[str, Output] = {}
    converters: dict[str, ConverterFile] = {}
    for name, inner in section.named_sections("converters", required=True):
        _check_port_name(name, inner)
        port, is_pattern = read_port(inner)
        read = _converter(name, inner, context)
        converters[name] = read
        outputs[name] = Output(
            name=name,
            port=port,
            port_is_pattern=is_pattern,
            converter=read.converter,
            pass_channels=inner.channels("pass_channel_numbers"),
            pass_classes=inner.choices("pass", MESSAGE_CLASSES),
            panic_controllers=inner.flag("panic_controllers", True),
        )
        extra += read_routes(inner, name, read.converter.extra, context)
        inner.close()
    return outputs, converters


def _converter(name: str, section: Section, context: Context) -> ConverterFile:
    """Return the converter of an output: a file's name, or properties written in the rig."""
    node = section.node("converter", required=True, allowed="a converter file, or its facts")
    if isinstance(node, Scalar):
        file = section.text("converter", None)
        read = None if file is None else _converter_file(file, node.place, context)
        return read or ConverterFile()
    inner = None if node is None else section.within(node)
    if inner is None:
        return ConverterFile()
    file = inner.text("file", None)
    base = None if file is None else _converter_file(file, inner.at("file"), context)
    return read_converter(inner, name, base, extra_keys=("file",))


def _converter_file(name: str, place: Place, context: Context) -> ConverterFile | None:
    path = context.look_up(name, ("converters",), place)
    table = None if path is None else read_yaml(path, context.faults)
    if path is None or table is None:
        return None
    return read_converter(Section(table, context.faults, context.middle_c_octave), path.stem)
