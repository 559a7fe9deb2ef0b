"""The rig's key ``page``: values, and one clear error for each fault."""

import pytest

from zerobeat.config.page_field import PageSettings, complete_address
from zerobeat.config.rig import read_rig
from zerobeat.errors import ConfigError

RIG = """\
inputs: {keys: {port: "keys:out"}}
converters: {octo: {port: "octo:in", converter: {gate_gap_ms: 2}}}
voices: {reed: {converter: octo, channel_number: 1}}
"""


def page_of(folder, text):
    path = folder / "rig.yaml"
    path.write_text(RIG + text)
    return read_rig(path).page


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", PageSettings(False, ("127.0.0.1:8080",), True)),
        ("page: {enabled: true}\n", PageSettings(True, ("127.0.0.1:8080",), True)),
        (
            'page: {enabled: true, addresses: [192.168.4.1, "[fd00::1]:9000"], commands: false}\n',
            PageSettings(True, ("192.168.4.1:8080", "[fd00::1]:9000"), False),
        ),
    ],
)
def test_what_a_rig_says(tmp_path, text, wanted):
    assert page_of(tmp_path, text) == wanted


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("page: on", "rig.yaml:4: page: found on; allowed: keys with values"),
        ("page: {enabled: yes}", "page.enabled: found yes; allowed: true or false"),
        ("page: {commands: 1}", "page.commands: found 1; allowed: true or false"),
        ("page: {port: 80}", "page.port: found unknown key; allowed: enabled, addresses, commands"),
        ("page: {addresses: 127.0.0.1}", "page.addresses: found 127.0.0.1; allowed: a list"),
        ("page: {addresses: []}", "page.addresses: found 0 addresses; allowed: 1 to 8"),
        ("page: {addresses: [box.local]}", "found box.local; allowed: an IP address of this"),
        ("page: {addresses: [192.168.4.1:80]}", "found 192.168.4.1:80; allowed: an IP address"),
        ("page: {addresses: [192.168.4.1:70000]}", "found 192.168.4.1:70000; allowed: an IP"),
        ("page: {addresses: [224.0.0.1]}", "found 224.0.0.1; allowed: an IP address"),
        ("page: {addresses: [10.0.0.1, 10.0.0.1:8080]}", "found 10.0.0.1:8080 a second time"),
    ],
)
def test_a_fault_is_one_line(tmp_path, text, fault):
    with pytest.raises(ConfigError) as caught:
        page_of(tmp_path, text + "\n")
    assert len(caught.value.problems) == 1
    assert fault in caught.value.problems[0]


@pytest.mark.parametrize(
    "text",
    [
        "",
        ":",
        "[]",
        "[::1",
        "[::1]8080",
        "::1:x",
        "1.2.3",
        "1.2.3.4:",
        "fe80::1%eth0",
        "0.0.0.0",
        "::",
    ],
)
def test_what_is_no_address(text):
    assert complete_address(text) == ""


@pytest.mark.parametrize("text", ["fe80::1%eth0", "0.0.0.0", "::", "224.0.0.1"])
def test_an_address_that_is_not_one_of_a_computer(text):
    assert complete_address(text) == ""
