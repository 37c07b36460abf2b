"""Whole histories of a soak on machines of so many links: most of them well, some not, as a rack would show them."""

import math
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from fake_sysfs import Machine, card, machine, root_port
from probe.audit.snapshot import Snapshot
from probe.links.link import WhichEnd
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, LinkSample, LoadEnded, Sample, Start
from tests.compare.machines import snapshot

STEP_S = 5.0
CLASSES = (0x010802, 0x020000, 0x120000)
"""A drive, a network card, an accelerator."""


def rack(links: int, trained: str | None = None) -> Machine:
    """Slots on two sockets of two memory nodes each; a slot in ten is empty."""
    ports = []
    for number in range(links):
        place_ = f"{number // 20:04x}:00:{number % 20 + 1:02x}.0"
        node = number * 4 // links
        port = root_port(place_, "16 GT/s x4", slot=number + 1, numa_node=node)
        held = card(
            "16 GT/s x4", trained=trained, serial=number + 1, numa_node=node,
            class_code=CLASSES[number % len(CLASSES)], counters={"correctable": {}, "nonfatal": {}, "fatal": {}},
        )  # fmt: skip
        ports.append(port if number % 10 == 9 else port.holds(held))
    return machine(
        *ports,
        name="node-17",
        sockets={0: 0, 1: 0, 2: 1, 3: 1},
        firmware={"product_name": "Example Server", "product_serial": "SN-4711"},
    )


def place(snapshot_: Snapshot, slot: int) -> str:
    """The place id of a slot that holds something."""
    return next(link.place_id for link in snapshot_.links if link.slot is not None and link.slot.number == slot)


def history(links: int, seconds: float = 3600.0, *, faults: bool = True, whole: bool = True) -> list[Entry]:
    """What a soak recorded; without `whole` it was cut off.

    With `faults` slot 1 falls under load and stays, slot 2 counts errors, slot 4 goes away and comes back. Slot 3 is
    watched and not loaded.
    """
    taken = snapshot(rack(links))
    held = [link for link in taken.links if link.component is not None]
    loaded = [link.place_id for link in held if link.place_id != place(taken, 3)] if links > 2 else [held[0].place_id]
    entries: list[Entry] = [
        Start(
            snapshot=taken, place_ids=tuple(link.place_id for link in held), interval_s=STEP_S, planned_s=seconds,
            loads=tuple(f"storage-read:/dev/nvme{number}n1" for number in range(len(loaded))),
            correctable_limit="6/2h", stops=("fatal",), asked=tuple(loaded),
        ),
        Baseline(STEP_S, {}),
    ]  # fmt: skip
    steps = int(seconds / STEP_S) + 1
    for step in range(steps):
        t = step * STEP_S
        samples = {}
        for number, link in enumerate(held):
            samples[link.place_id] = _sample(number, t, seconds, loaded=link.place_id in loaded, faults=faults)
        entries.append(Sample(t, samples))
        if step % 12 == 6:
            entries += _passes(t, loaded, step)
    if faults:
        entries += _faults(taken, seconds, links)
    entries.sort(key=lambda entry: getattr(entry, "t", -1.0))
    if whole:
        entries += [
            LoadEnded(t=seconds, load="storage-read"),
            End(t=seconds, why="the planned time was over", complete=True, snapshot=taken),
        ]
    return entries


def save(path: Path, entries: Iterable[Entry]) -> Path:
    """A journal of these entries."""
    path.write_bytes(msgspec.json.Encoder().encode_lines(list(entries)))
    return path


def _sample(number: int, t: float, seconds: float, *, loaded: bool, faults: bool) -> LinkSample:
    heat = 38 + 25 * (1 - math.exp(-t / 600)) + math.sin(t / 60 + number)
    if faults and number == 3 and 0.5 * seconds < t < 0.55 * seconds:
        return LinkSample()
    speed = 8.0 if faults and number == 0 and t > 0.6 * seconds else 16.0
    moved = (5.5e9 if speed == 16.0 else 2.9e9) * (1 + 0.05 * math.sin(t / 17 + number)) if loaded else 0.0
    return LinkSample(speed, 4, moved, moved * 0.01, round(heat, 1))


def _passes(t: float, places: list[str], step: int) -> Iterator[Entry]:
    way = (TO_HOST, FROM_HOST, BOTH)[step // 12 % 3]
    for number, place_id in enumerate(places):
        yield Pass(
            t=t, load="storage-read", target=f"/dev/nvme{number}n1", place_id=place_id, direction=way,
            bytes=int(5.6e9 * (1.7 if way == BOTH else 1)), seconds=1.0, verified=way == TO_HOST, phase=way,
            phase_number=step // 12,
        )  # fmt: skip


def _faults(taken: Snapshot, seconds: float, links: int) -> Iterator[Entry]:
    first, second = place(taken, 1), place(taken, 2)
    yield LinkEvent(
        t=0.6 * seconds, place_id=first, kind=LinkEventKind.STATE, sentence="went from 16 GT/s x4 to 8 GT/s x4"
    )
    for minute in range(12):
        yield CountedErrors(
            t=0.3 * seconds + 60 * minute, place_id=second, end=WhichEnd.COMPONENT, function="0000:02:00.0",
            severity=Severity.CORRECTABLE, error="Bad TLP", count=1 + minute % 3,
        )  # fmt: skip
    if links > 4:
        fourth = place(taken, 4)
        yield LinkEvent(
            t=0.5 * seconds, place_id=fourth, kind=LinkEventKind.GONE, sentence="the component is gone", bad=True
        )
        yield LinkEvent(
            t=0.55 * seconds, place_id=fourth, kind=LinkEventKind.BACK, sentence="the component is there again"
        )
