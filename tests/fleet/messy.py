"""A messy fleet: what goes wrong where machines live for years. Spools as they would be found, and what truly happened.

Three racks of twelve hosts, four slots each, looked at twice a day for five days. `Truth` is kept apart from what the
files say: clocks lie, users see less, files are cut off, and hosts are renamed, reinstalled and renumbered.
"""

import gzip
import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from fake_sysfs import Machine, card, machine, root_port
from probe.audit.snapshot import take
from probe.documents.files import encode
from probe.host.machine import read_machine

RACKS, HOSTS, SLOTS, DAYS, A_DAY = ("r1", "r2", "r3"), 12, 4, 5, 2
HALF_DAY_S, DAY_S = 43_200, 86_400
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
START_S = int(START.timestamp())
MESSY_NOW_S = START_S + DAYS * DAY_S
TWIN = "r3-twin"
CUT_OFF = 3
"""Which look at r2-07 is cut off on its way."""

_BOARD = {"board_vendor": "Karrow Fen Workshop", "board_name": "Mast node", "product_name": "Mast"}


class Truth(NamedTuple):
    """One slot of one machine at one moment, as it truly was."""

    machine: str
    name: str
    at_s: int
    boot: int
    slot: int
    serial: int | None
    width: int
    errors: int


@dataclass
class Look:
    """One look at a machine: what is in its slots, and how the look itself was."""

    number: int
    at_s: int
    boot: int
    boot_began_s: int
    serials: dict[int, int | None]
    widths: dict[int, int] = field(default_factory=dict)
    errors: dict[int, int] = field(default_factory=dict)
    clock_off_s: int = 0
    as_user: bool = False
    skipped_buses: int = 0
    spool_number: int | None = None
    old_program: bool = False


@dataclass
class Host:
    """One machine and all the looks at it."""

    name: str
    machine_id: str
    looks: list[Look]
    without_machine_id: int = 0


def hosts() -> list[Host]:
    """The fleet, before anything goes wrong but what the looks say."""
    found: list[Host] = []
    for rack in RACKS:
        for index in range(1, HOSTS + 1):
            name = f"{rack}-{index:02d}"
            found.append(Host(name, _id(len(found) + 1), list(_looks(len(found) + 1))))
    twin = Host(TWIN, _id(901), list(_looks(901)))
    other = Host(TWIN, _id(902), list(_looks(902)))
    for look in other.looks:
        look.at_s += 600
        look.widths[3] = 4
    found += [twin, other]
    for host in found:
        _PLANS.get(host.name, lambda _: None)(host)
        if host.name.startswith("r1-"):
            for look in host.looks:
                look.widths[2] = 4
    found.append(_reinstalled(next(host for host in found if host.name == "r2-03")))
    return found


def _id(number: int) -> str:
    return f"{number:032x}"


def _looks(seed: int) -> Iterator[Look]:
    began_s = START_S - 30 * DAY_S
    for number in range(DAYS * A_DAY):
        serials: dict[int, int | None] = {slot: seed * 100 + slot for slot in range(1, SLOTS)}
        yield Look(number, START_S + number * HALF_DAY_S, 0, began_s, serials | {SLOTS: seed * 100 + SLOTS})


def _reboot(host: Host, first: int, boot: int = 1) -> list[Look]:
    """The looks from one on are of another boot."""
    began_s = host.looks[first].at_s - 1_800
    for look in host.looks[first:]:
        look.boot, look.boot_began_s = boot, began_s
    return host.looks[first:]


def _clock_in_1970(host: Host) -> None:
    """Its battery is empty: the second of three boots says 1970. Slot 1 is short from then on."""
    for look in _reboot(host, 3):
        look.widths[1] = 4
    _reboot(host, 7, 2)
    for look in host.looks[3:7]:
        look.clock_off_s = -host.looks[3].boot_began_s


def _clock_in_2038(host: Host) -> None:
    """A clock once in the future; what is short then is well again later."""
    for look in _reboot(host, 2)[:2]:
        look.clock_off_s = int(datetime(2038, 1, 19, tzinfo=UTC).timestamp()) - look.at_s
        look.widths[1] = 4
    _reboot(host, 4, 2)


def _gap(host: Host) -> None:
    """Not heard of for the last three days."""
    del host.looks[4:]


def _renumbered(host: Host) -> None:
    for look in _reboot(host, 5):
        look.skipped_buses = 40
        look.widths[4] = 4


def _moved(host: Host) -> None:
    """The card of slot 1 goes to slot 3, that of slot 3 leaves."""
    card_of_1 = host.looks[0].serials[1]
    for look in _reboot(host, 4):
        look.serials[1], look.serials[3] = None, card_of_1


def _as_user(host: Host) -> None:
    """Every other look is an ordinary user's; errors grow by three a look, and were 25 before the first."""
    for look in host.looks:
        look.as_user = look.number % 2 == 1
        look.errors[2] = 25 + 3 * look.number


def _erring(host: Host) -> None:
    """Slot 2: seven errors a look; a reboot in between, after which the kernel counts from zero."""
    for look in host.looks:
        look.errors[2] = 7 * look.number
    for look in _reboot(host, 6):
        look.errors[2] = 7 * (look.number - 5)


def _flapping(host: Host) -> None:
    for look in host.looks:
        look.widths[4] = 4 if look.number % 2 else 8


def _older_program(host: Host) -> None:
    """The first looks come from a program that knew no machine id and judged otherwise."""
    host.without_machine_id = 4
    for look in host.looks[:4]:
        look.old_program = True


_PLANS: dict[str, Callable[[Host], None]] = {
    "r2-04": _clock_in_1970, "r2-05": _clock_in_2038, "r2-06": _gap, "r2-08": _older_program, "r3-01": _renumbered,
    "r3-02": _moved, "r3-03": _as_user, "r3-04": _erring, "r3-05": _flapping,
}  # fmt: skip


def _reinstalled(old: Host) -> Host:
    """The same machine anew: its disk was wiped, so it has another id and its spool begins at 0."""
    for look in old.looks[:4]:
        look.widths[1] = 4
        look.errors[1] = 10
    new = Host(old.name, _id(903), [replace(look) for look in old.looks[4:]])
    del old.looks[4:]
    began_s = new.looks[0].at_s - 1_800
    for number, look in enumerate(new.looks):
        look.boot, look.boot_began_s, look.spool_number = 1, began_s, number
        look.widths, look.errors = {}, {}
    return new


def truth(fleet: list[Host]) -> list[Truth]:
    """What happened, slot by slot; a slot without a card is left out, and a machine without an id has none."""
    return [
        Truth(
            "" if look.number < host.without_machine_id else host.machine_id,
            host.name,
            look.at_s,
            look.boot,
            slot,
            serial,
            look.widths.get(slot, 8),
            look.errors.get(slot, 0),
        )
        for host in fleet
        for look in host.looks
        for slot, serial in look.serials.items()
        if serial is not None and not (host.name == "r2-07" and look.number == CUT_OFF)
    ]


def _machine(host: Host, look: Look) -> Machine:
    ports = []
    for slot in range(1, SLOTS + 1):
        port = root_port(f"0000:00:{slot:02x}.0", "16 GT/s x8", slot=slot)
        serial = look.serials[slot]
        if serial is not None:
            count = look.errors.get(slot, 0)
            trained = f"16 GT/s x{look.widths.get(slot, 8)}"
            counters = {"correctable": {"Bad TLP": count}} if count else {}
            port = port.holds(card("16 GT/s x8", trained=trained, serial=serial, counters=counters))
        ports.append(port)
    kept = look.number >= host.without_machine_id
    return replace(
        machine(*ports), name=host.name, firmware=_BOARD, boot_id=f"{host.machine_id[-4:]}-boot-{look.boot}",
        uptime_s=float(look.at_s - look.boot_began_s), machine_id=host.machine_id if kept else None,
        skipped_buses=look.skipped_buses,
    )  # fmt: skip


def _document(host: Host, look: Look) -> bytes:
    tree = _machine(host, look).build()
    evidence = read_machine((tree.unprivileged() if look.as_user else tree).source())
    moment = datetime.fromtimestamp(look.at_s + look.clock_off_s, UTC)
    facts = msgspec.structs.replace(evidence.host, taken_at=moment.isoformat())
    snapshot = take(msgspec.structs.replace(evidence, host=facts))
    if look.old_program:
        snapshot = msgspec.structs.replace(snapshot, written_by="linkprobe 0.0.1", links=())
    return encode(snapshot)


def write_messy(folder: Path) -> list[Host]:
    """The spools, with duplicates, a file cut off, one that is no document, margins, a soak, a host without links."""
    fleet = hosts()
    for host in fleet:
        spool = folder / f"{host.name}-{host.machine_id[-3:]}"
        spool.mkdir(parents=True)
        for look in host.looks:
            number = look.number if look.spool_number is None else look.spool_number
            moment = datetime.fromtimestamp(look.at_s + look.clock_off_s, UTC)
            data = gzip.compress(_document(host, look), compresslevel=1, mtime=0)
            (spool / f"{moment:%Y%m%dT%H%M%SZ}-{number:08d}-{host.name}.json.gz").write_bytes(data)
    _spoil(folder, fleet)
    return fleet


def _spoil(folder: Path, fleet: list[Host]) -> None:
    again = folder / "again"
    again.mkdir()
    for path in sorted((folder / "r3-04-01c").glob("*.json.gz")):
        shutil.copyfile(path, again / f"copy-of-{path.name}")
    cut = sorted((folder / "r2-07-013").glob("*.json.gz"))[CUT_OFF]
    cut.write_bytes(cut.read_bytes()[:-300])
    (again / "not-ours.json").write_text('{"hello": "there"}')
    bare = replace(
        machine(), name="bare", firmware=_BOARD, machine_id=_id(904), uptime_s=99.0, boot_id="bare-boot",
        on_root_bus=(("0000:00:00.0", card("2.5 GT/s x1", class_code=0x060000, conventional=True)),),
    )  # fmt: skip
    evidence = read_machine(bare.build().source())
    at = msgspec.structs.replace(evidence.host, taken_at=(START + timedelta(days=4)).isoformat())
    (again / "bare.json").write_bytes(encode(take(msgspec.structs.replace(evidence, host=at))))
    for host in fleet:
        if host.name.startswith("r2-") and host.looks[-1].number == DAYS * A_DAY - 1:
            (again / f"margin-{host.name}-{host.machine_id[-3:]}.json").write_text(json.dumps(_margin(host)))
    captured = Path(__file__).parents[1] / "captured" / "two-accelerators-soak.jsonl"
    shutil.copyfile(captured, again / "soak.jsonl")


def _margin(host: Host) -> dict[str, Any]:
    """A margin test of slot 1; that of r2-09 is poor."""
    ui = 0.03 if host.name == "r2-09" else 0.25 + int(host.machine_id, 16) / 10_000
    facts = json.loads(_document(host, host.looks[-1]))["evidence"]["host"]
    lane = {"lane": 0, "left": {"ui": ui}, "right": {"ui": ui + 0.01}, "up": None, "down": None}
    link = {
        "downstream_port": "0000:00:01.0",
        "result": "passed",
        "receivers": [{"lanes": [lane]}],
    }
    return {"schema": "linkprobe/margin/1", "host": facts, "result": "passed", "links": [link]}
