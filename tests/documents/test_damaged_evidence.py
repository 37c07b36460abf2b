"""Evidence is checked where it is made: a damaged document names the function and the place; the reader says unread."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import card, machine, root_port
from probe.audit.audit import audit
from probe.audit.snapshot import take
from probe.documents.files import encode, read_snapshot
from probe.exceptions import DocumentError
from probe.host.machine import read_machine

MACHINE = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4")))
Damage = Callable[[dict[str, Any]], None]


def evidence_of(document: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = document["evidence"]
    return found


def config(start: str, text: str) -> Damage:
    def damage(evidence: dict[str, Any]) -> None:
        evidence["functions"][1]["config"][start] = text

    return damage


def attribute(name: str, text: str) -> Damage:
    def damage(evidence: dict[str, Any]) -> None:
        evidence["functions"][1]["attributes"][name] = text

    return damage


def smbios(evidence: dict[str, Any]) -> None:
    evidence["smbios_slots"] = ["0913zz"]


def address(evidence: dict[str, Any]) -> None:
    evidence["functions"][1]["address"] = "nowhere"


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (config("060", "10000g"), "0000:01:00.0: config at offset 060h is not hexadecimal"),
        (config("060", "100"), "config at offset 060h is not hexadecimal"),
        (config("6x", "10000000"), "0000:01:00.0: config has no offset '6x'"),
        (config("062", "10000000"), "config has no offset '062'"),
        (config("ffc", "00" * 8), "goes on past its 4096 bytes"),
        (attribute("class", "0xzz"), "0000:01:00.0: class is no hexadecimal number"),
        (attribute("vendor", ""), "0000:01:00.0: vendor is no hexadecimal number"),
        (attribute("subsystem_device", "-"), "subsystem_device is no hexadecimal number"),
        (smbios, "smbios_slots: record 1 is not hexadecimal"),
        (address, "'nowhere' is no device address"),
    ],
)
def test_a_damaged_snapshot_is_told(damage: Damage, told: str, tmp_path: Path) -> None:
    document = json.loads(encode(take(read_machine(MACHINE.build().source()))))
    damage(evidence_of(document))
    path = tmp_path / "damaged.json"
    path.write_text(json.dumps(document))
    with pytest.raises(DocumentError) as error:
        read_snapshot(str(path))
    assert told in str(error.value)
    assert str(path) in str(error.value)


@pytest.mark.parametrize(("name", "text"), [("class", ""), ("class", "0xqq"), ("vendor", "what"), ("device", " ")])
def test_an_odd_file_is_unread(name: str, text: str) -> None:
    tree = MACHINE.build().with_attribute("0000:01:00.0", name, text)
    found = read_machine(tree.source())
    assert [item.path.rpartition("/")[2] for function in found.functions for item in function.unread] == [name]
    assert audit(found).links[0].verdict == "full"


@pytest.mark.parametrize("text", [b"", b"soon\n", b"nan 1\n", b"-3 0\n"])
def test_an_uptime_that_is_no_time(text: bytes) -> None:
    tree = MACHINE.build().with_file("proc/uptime", text)
    assert read_machine(tree.source()).host.uptime_s is None
