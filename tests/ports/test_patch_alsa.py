"""What the ALSA side reads from the system's files; the sequencer itself: tests/vm."""

import alsa_midi.port as port_module
from alsa_midi import PortInfo

from zerobeat.ports.patch_alsa import input_overruns, usb_identity

# Printed by Linux 6.1 in /proc/asound/seq/clients, shortened.
CLIENTS = """Client info
  cur  clients : 7

Client   0 : "System" [Kernel]
  Port   0 : "Timer" (Rwe-)
Client 128 : "zerobeat in keys" [User Legacy]
  Port   0 : "midi" (-We-)
    Connected From: 129:0
  Output pool :
    Pool size          : 500
    Cells in use       : 0
    Peak cells in use  : 0
    Alloc success      : 0
    Alloc failures     : 7
  Input pool :
    Pool size          : 200
    Cells in use       : 0
    Peak cells in use  : 200
    Alloc success      : 1234
    Alloc failures     : 2
Client 129 : "keys" [User Legacy]
  Port   0 : "out" (R-e-)
"""


def test_only_failures_of_the_input_pool_count():
    assert input_overruns(CLIENTS) == {"zerobeat in keys": 2}


def card(root, number, usb, serial=""):
    """Lay out what sysfs holds of a USB sound card."""
    device = root / "devices/pci0000:00" / usb
    (device / f"{usb}:1.0/sound/card{number}").mkdir(parents=True)
    (device / "idVendor").write_text("1d6b\n")
    if serial:
        (device / "serial").write_text(f"{serial}\n")
    (root / "class").mkdir(exist_ok=True)
    (root / f"class/card{number}").symlink_to(device / f"{usb}:1.0/sound/card{number}")
    (device / f"{usb}:1.0/sound/card{number}/device").symlink_to(device / f"{usb}:1.0")


def test_usb_cards_are_known_by_serial_and_socket(tmp_path):
    card(tmp_path, 1, "1-1.2", "0042")
    card(tmp_path, 2, "1-1.3")
    assert usb_identity(1, tmp_path / "class") == ("serial 0042", "usb 1-1.2")
    assert usb_identity(2, tmp_path / "class") == ("usb 1-1.3",)
    assert usb_identity(3, tmp_path / "class") == ()


def test_a_name_that_is_cut_within_a_character_is_read():
    """The kernel keeps 63 bytes of a name; the library raised at half a character."""
    info = PortInfo(client_id=20, port_id=0, name="keys")._to_alsa()
    port_module.alsa.snd_seq_port_info_set_name(info, b"St\xc3\xbcck \xc3")
    assert PortInfo._from_alsa(info).name == "Stück \ufffd"
