"""Status bits that no specification names: not told as errors of a link."""

from fake_sysfs import card, machine, root_port
from probe.audit.audit import audit
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.registers.errors import CorrectableErrorStatus

CARD = "0000:01:00.0"


def test_a_reserved_bit_is_no_error() -> None:
    bits = {CorrectableErrorStatus.bad_tlp: True}
    tree = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4", registers=bits))).build()
    (data,) = (data for path, data in tree.files.items() if path.endswith(f"/{CARD}/config"))
    at = next(at for at in range(0x100, 0x1000, 4) if int.from_bytes(data[at : at + 2], "little") == 1) + 0x10
    (link,) = audit(
        read_machine(tree.with_bytes(CARD, at, b"\x42\0\0\0").source())
    ).links  # bit 1 is reserved, bit 6 Bad TLP
    assert link.status_errors[WhichEnd.COMPONENT] == ("Bad TLP",)
