"""What belongs to no single link: ports that are missing, broken lists, errors that nobody claims."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.document import AuditDocument

Judge = Callable[[Machine | Tree], AuditDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"


def told(document: AuditDocument) -> list[tuple[str, str]]:
    return [(item.subject, item.meaning) for item in document.observations]


def siblings(*missing: tuple[int, int], roots: int = 4, places: int = 3) -> Machine:
    ports = [
        root_port(f"{domain:04x}:00:{device:02x}.0", "16 GT/s x16", slot=domain * 10 + device)
        for domain in range(roots)
        for device in range(1, places + 1)
        if (domain, device) not in missing
    ]
    return machine(*ports)


def test_a_port_that_every_sibling_root_has(judge: Judge) -> None:
    ((subject, meaning),) = [item for item in told(judge(siblings((2, 3)))) if "no Root Port" in item[1]]
    assert subject == "0002:00:03.0"
    assert meaning.startswith("no Root Port is here, while all 3 sibling root buses have one at this place")


@pytest.mark.parametrize("described", [siblings(), siblings((2, 3), (1, 3)), siblings((1, 3), roots=2)])
def test_no_port_is_missed_where_siblings_differ_or_are_few(judge: Judge, described: Machine) -> None:
    assert not [item for item in told(judge(described)) if "no Root Port" in item[1]]


@pytest.mark.parametrize(("total", "claimed", "rest"), [(9, 4, 5), (4, 4, None), (3, 4, None), (0, 0, None)])
def test_errors_that_nobody_claims(judge: Judge, total: int, claimed: int, rest: int | None) -> None:
    """Documentation/ABI/testing/sysfs-bus-pci-devices-aer: a Root Port's total counts messages from all below it."""
    counters = {"correctable": {"RxErr": claimed}}
    described = machine(
        root_port(PORT, "8 GT/s x4", root_totals={"correctable": total}).holds(card("8 GT/s x4", counters=counters))
    )
    found = [meaning for _, meaning in told(judge(described)) if "nobody below claims" in meaning]
    wanted = [f"nobody below claims {rest} of {total} correctable errors that came here"] if rest else []
    assert found == wanted


def test_a_list_that_loops_is_told_of_its_function(judge: Judge) -> None:
    tree = machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))).build()
    first = tree.files[next(path for path in tree.files if path.endswith(f"/{CARD}/config"))][0x34]
    found = told(judge(tree.with_bytes(CARD, first + 1, bytes([first]))))
    assert (CARD, f"the capability list loops back to {first:#04x}") in found


def test_a_whole_machine_has_nothing_to_observe(judge: Judge) -> None:
    assert told(judge(machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))))) == []
