"""A made-up fleet: spools of snapshots of alike servers, with faults planted and listed.

Each host is the same server of one board; a faulty host has one fault in one slot, from the first day on.
"""

import gzip
import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import NamedTuple

import msgspec

from fake_sysfs.build import Machine, machine
from fake_sysfs.description import card, root_port
from probe.audit.snapshot import take
from probe.documents.files import encode
from probe.host.machine import read_machine
from probe.host.machine_id import application_specific

FAULTS = ("width", "speed", "narrow slot", "errors")
"""Trained at half the width; trained at half the speed; a port set up narrower than its peers'; errors each day."""

FAULTY_SLOTS = 8
_DAY_S = 86_400
_TAKEN_AT = "2001-01-01T00:00:00+00:00"
_FIRST = datetime(2026, 1, 5, 4, tzinfo=UTC)
_BOOT_ID = "00000000-0000-4000-8000-000000000001"
_MACHINE_ID = "00000000000000000000000000000001"
_CARDS = 0x5EED_0000
"""Stands in the serial numbers of a template's cards where each host has its own number."""

_ERRORS_A_DAY = 40
_BOARD = {"board_vendor": "Karrow Fen Workshop", "board_name": "Mast node"}


class Planted(NamedTuple):
    """One fault: which host, which slot (by its port's address), and what it is."""

    host: str
    address: str
    fault: str


class Fleet(NamedTuple):
    """How large, how long, how many faults."""

    hosts: int
    days: int
    faults: int
    links: int = 60
    seed: int = 1
    a_day: int = 1

    def planted(self) -> list[Planted]:
        """The faults, the same for the same seed. One host has one at most."""
        chance = random.Random(self.seed)  # noqa: S311 - a made-up fleet
        chosen = sorted(chance.sample(range(self.hosts), min(self.faults, self.hosts)))
        return [
            Planted(host_name(number), _address(chance.randrange(FAULTY_SLOTS)), FAULTS[index % len(FAULTS)])
            for index, number in enumerate(chosen)
        ]


def write(fleet: Fleet, folder: Path) -> list[Planted]:
    """One spool a host below `folder`, and `planted.csv`; the faults."""
    planted = fleet.planted()
    faults = {item.host: item for item in planted}
    for number in range(fleet.hosts):
        name = host_name(number)
        spool = folder / name
        spool.mkdir(parents=True, exist_ok=True)
        for count, document in enumerate(documents(fleet, number, faults.get(name))):
            moment = _moment(fleet, number, count)
            path = spool / f"{moment:%Y%m%dT%H%M%SZ}-{count:08d}-{name}.json.gz"
            path.write_bytes(gzip.compress(document, compresslevel=1, mtime=0))
    lines = [",".join(line) for line in (Planted._fields, *planted)]
    (folder / "planted.csv").write_text("\n".join(lines) + "\n")
    return planted


def documents(fleet: Fleet, number: int, planted: Planted | None) -> Iterator[bytes]:
    """The snapshots of one host, at scattered minutes."""
    machine_id = f"{number + 1:032x}"
    own = {
        b"HOST-NAME": host_name(number).encode(),
        _BOOT_ID.encode(): f"{number:08d}-0000-4000-8000-000000000001".encode(),
        (application_specific(_MACHINE_ID) or "").encode(): (application_specific(machine_id) or "").encode(),
        _CARDS.to_bytes(4, "little").hex().encode(): number.to_bytes(4, "little").hex().encode(),
        _CARDS.to_bytes(4, "big").hex("-").encode(): number.to_bytes(4, "big").hex("-").encode(),
    }
    for count in range(fleet.days * fleet.a_day):
        fault = planted.fault if planted else None
        day = count // fleet.a_day if fault == "errors" else 0
        document = _template(fleet.links, fault, planted.address if planted else None, day)
        for general, particular in own.items():
            document = document.replace(general, particular)
        passed = count * (_DAY_S // fleet.a_day)
        yield document.replace(_TAKEN_AT.encode(), _moment(fleet, number, count).isoformat().encode()).replace(
            b'"uptime_s":1000000.0', f'"uptime_s":{1_000_000 + passed}.0'.encode()
        )


def host_name(number: int) -> str:
    """The name of a host."""
    return f"mast-{number:06d}"


def server(links: int, fault: str | None, address: str | None, day: int) -> Machine:
    """One server of the fleet on one day."""
    ports = []
    for slot in range(links):
        where = _address(slot)
        hit = fault if where == address else None
        best = "16 GT/s x4" if hit == "narrow slot" else "16 GT/s x8"
        trained = {"width": "16 GT/s x4", "speed": "8 GT/s x8"}.get(hit or "")
        counters = {"correctable": {"Bad TLP": 3 + _ERRORS_A_DAY * day}} if hit == "errors" else {}
        ports.append(
            root_port(where, best, slot=slot + 1, slot_name=f"M{slot + 1}").holds(
                card("16 GT/s x8", trained=trained, serial=(_CARDS << 32) + 0xA000 + slot, counters=counters)
            )
        )
    return replace(
        machine(*ports),
        name="HOST-NAME",
        firmware=_BOARD,
        boot_id=_BOOT_ID,
        machine_id=_MACHINE_ID,
        uptime_s=1_000_000.0,
    )


@cache
def _template(links: int, fault: str | None, address: str | None, day: int) -> bytes:
    evidence = read_machine(server(links, fault, address, day).build().source())
    host = msgspec.structs.replace(evidence.host, taken_at=_TAKEN_AT)
    return encode(take(msgspec.structs.replace(evidence, host=host)))


def _address(slot: int) -> str:
    return f"0000:00:{1 + slot // 8:02x}.{slot % 8}"


def _moment(fleet: Fleet, number: int, count: int) -> datetime:
    return _FIRST + timedelta(seconds=count * (_DAY_S // fleet.a_day) + number * 37 % 3600)
