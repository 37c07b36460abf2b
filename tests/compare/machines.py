"""Snapshots of described machines, for the comparisons."""

from dataclasses import replace
from typing import Any

import msgspec

from fake_sysfs import Component, Machine, Port, card, machine, root_port
from probe.audit.snapshot import Snapshot, take
from probe.host.machine import read_machine

A, B, C = 0xA1, 0xB2, 0xC3


def snapshot(described: Machine, **host: Any) -> Snapshot:
    """A snapshot of it; keywords change the host."""
    evidence = read_machine(described.build().source())
    return take(msgspec.structs.replace(evidence, host=msgspec.structs.replace(evidence.host, **host)))


def drive(serial: int | None = A, trained: str = "16 GT/s x4", **changes: Any) -> Component:
    """A drive that can do 16 GT/s x4."""
    return card("16 GT/s x4", trained=trained, serial=serial, **changes)


def slot(number: int, holding: Component | None = None, **changes: Any) -> Port:
    """A slot, empty or not."""
    made = root_port(f"0000:00:{number:02x}.0", "16 GT/s x4", slot=number, **changes)
    return made if holding is None else made.holds(holding)


def of(*ports: Port, **changes: Any) -> Machine:
    """A machine of these slots."""
    return replace(machine(*ports), **changes)
