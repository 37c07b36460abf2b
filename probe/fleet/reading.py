"""Files of hosts made into observations: a snapshot, a soak's journal, or a test that names its host.

Hosts are told apart by machine id; where none was read, by name. Judging is done once for what is the same: snapshots
that differ in nothing but their time share their links.
"""

import re
import zlib
from datetime import UTC, datetime
from hashlib import blake2b
from pathlib import Path

import msgspec

from probe import __version__
from probe.audit.audit import audit
from probe.audit.document import LinkDocument
from probe.documents.captured import captured
from probe.documents.files import UNDECODABLE, decode_document, open_regular, schema_of, uncompressed
from probe.documents.spool_name import running_number
from probe.evidence import Evidence, Host, Unread, unlisted
from probe.exceptions import DocumentError
from probe.fleet.chronicle import Counted, HostFacts, LinkSeen, Observation, Trial
from probe.fleet.results import result_of_journal, result_of_test, test_of
from probe.links.link import WhichEnd
from probe.registers.errors import Severity
from probe.schemas import Schema
from probe.soak.journal import End, Start
from probe.soak.reading import entries_of
from probe.verdict.verdicts import BELOW_CAPABILITY, Verdict

REMEDY = "look at the file; it is left where it is"
_PEEK = 4_096
_HOST = re.compile(rb'"evidence":\{"host":')
_JOURNAL = b'{"type":"start"'
_ALIKE = 512
_WITH_REASON = {*BELOW_CAPABILITY, Verdict.UNJUDGED}


class Key(msgspec.Struct, frozen=True):
    """What tells one snapshot from all others: host, boot, and hundredths of a second since boot."""

    host: str
    boot: str
    moment: int


class Read(msgspec.Struct, frozen=True, kw_only=True):
    """What a file holds of one host."""

    host: str
    observations: tuple[Observation, ...] = ()
    results: tuple[Trial, ...] = ()


class _Evidence(msgspec.Struct):
    """Evidence of which only the host is decoded."""

    host: Host
    functions: msgspec.Raw = msgspec.Raw(b"[]")
    slots: msgspec.Raw = msgspec.Raw(b"[]")
    smbios_slots: msgspec.Raw = msgspec.Raw(b"[]")
    cooling: msgspec.Raw = msgspec.Raw(b"[]")
    unread: tuple[Unread, ...] = ()


class _Snapshot(msgspec.Struct):
    written_by: str
    links: msgspec.Raw
    evidence: _Evidence


class _HeldEvidence(msgspec.Struct):
    evidence: Evidence


def key_of(host: Host) -> Key:
    """Whose snapshot, and which. Raises DocumentError where it has no time at all."""
    wall = _wall_s(host.taken_at)
    if wall is None and (host.boot_id is None or host.uptime_s is None):
        raise DocumentError(f"has no time ({host.taken_at!r})", where="the snapshot", remedy=REMEDY)
    if host.boot_id is None or host.uptime_s is None:
        return Key(host_key(host), f"{host.boot_id or 'unknown'} at {wall}", 0)
    return Key(host_key(host), host.boot_id, round(host.uptime_s * 100))


def host_key(host: Host) -> str:
    """What a host is known by: its machine id; without one its name; without either its boot."""
    if host.machine_id:
        return f"id {host.machine_id}"
    return f"name {host.name}" if host.name else f"boot {host.boot_id}"


def peek(path: Path) -> Key | None:
    """The key of a snapshot from its first bytes; None where these do not tell it. Raises OSError."""
    with open_regular(str(path)) as file:
        data = file.read(_PEEK)
    if data.startswith(_JOURNAL):
        return None  # one that is still written to has more to say each time
    try:
        if data.startswith(b"\x1f\x8b"):
            data = zlib.decompressobj(wbits=31).decompress(data)
        match = _HOST.search(data)
        return None if match is None else key_of(msgspec.json.decode(_object(data, match.end()), type=Host))
    except (zlib.error, DocumentError, *UNDECODABLE):
        return None


def _object(data: bytes, start: int) -> bytes:
    """The JSON object that begins at `start`; cut off where the data ends first."""
    depth, quoted, escaped = 0, False, False
    for index in range(start, len(data)):
        byte = data[index]
        if quoted:
            quoted, escaped = escaped or byte != ord('"'), not escaped and byte == ord("\\")
        elif byte == ord('"'):
            quoted = True
        elif byte == ord("{"):
            depth += 1
        elif byte == ord("}"):
            depth -= 1
            if depth == 0:
                return data[start : index + 1]
    return data[start:]


class Reader:
    """Reads files, and judges what is alike once."""

    def __init__(self) -> None:
        self._alike: dict[bytes, tuple[dict[str, LinkSeen], dict[str, Counted]]] = {}

    def read(self, data: bytes, name: str) -> Read:
        """What a file holds. Raises DocumentError where that is nothing that the store can use."""
        if data.startswith(_JOURNAL) and schema_of(data.partition(b"\n")[0], name, REMEDY) == Schema.JOURNAL:
            return self._journal(data, name)
        if (tar := captured(uncompressed(data, name, REMEDY), name)) is not None:
            return self.read(msgspec.json.encode(tar), name)
        if test_of(schema := schema_of(data, name, REMEDY)) is not None:
            host, result = result_of_test(data, name, schema)
            return Read(host=host_key(host), results=(result,))
        snapshot = decode_document(data, name, _Snapshot, Schema.SNAPSHOT, REMEDY)
        if (unread := unlisted(snapshot.evidence.unread)) is not None:
            what = f"its PCI functions could not be listed ({unread.detail or unread.why})"
            raise DocumentError(what, where=name, remedy=REMEDY)
        seen = self._observation(data, snapshot, running_number(name.rpartition("/")[2]), name)
        return Read(host=seen.host, observations=(seen,))

    def _journal(self, data: bytes, name: str) -> Read:
        entries = entries_of(data, name)
        kept = [entry.snapshot for entry in entries if isinstance(entry, Start | End) and entry.snapshot is not None]
        seen = [
            self.read(msgspec.json.encode(snapshot), f"{name}, snapshot {number}").observations[0]
            for number, snapshot in enumerate(kept, start=1)
        ]
        return Read(host=seen[0].host, observations=tuple(seen), results=(result_of_journal(entries),))

    def _observation(self, data: bytes, snapshot: _Snapshot, number: int | None, name: str) -> Observation:
        evidence = snapshot.evidence
        mark = blake2b(snapshot.written_by.encode(), digest_size=16)
        for part in (evidence.functions, evidence.slots, evidence.smbios_slots, evidence.cooling):
            mark.update(bytes(part) + b"\0")
        alike = self._alike.get(mark.digest())
        if alike is None:
            alike = self._judged(data, snapshot, name)
            if len(self._alike) >= _ALIKE:
                self._alike.pop(next(iter(self._alike)))
            self._alike[mark.digest()] = alike
        links, counted = alike
        host = evidence.host
        key = key_of(host)
        return Observation(
            host=key.host,
            boot=key.boot,
            moment=key.moment,
            wall_s=_wall_s(host.taken_at),
            number=number,
            facts=_facts(host, len(links)),
            links=links,
            counted=counted,
        )  # fmt: skip

    @staticmethod
    def _judged(data: bytes, snapshot: _Snapshot, name: str) -> tuple[dict[str, LinkSeen], dict[str, Counted]]:
        try:
            if snapshot.written_by == f"linkprobe {__version__}":
                links = msgspec.json.decode(snapshot.links, type=tuple[LinkDocument, ...])
            else:
                links = audit(decode_document(data, name, _HeldEvidence, Schema.SNAPSHOT, REMEDY).evidence).links
        except UNDECODABLE as error:
            raise DocumentError(
                f"does not hold what {Schema.SNAPSHOT} says ({error})", where=name, remedy=REMEDY
            ) from error
        seen = {link.place_id: _seen(link) for link in links}
        counted = {link.place_id: found for link in links if (found := _counted(link)).read}
        return seen, counted


def _facts(host: Host, links: int) -> HostFacts:
    board = " ".join(filter(None, (host.firmware.get(name) for name in ("board_vendor", "board_name")))) or None
    return HostFacts(host.name, board, host.firmware.get("product_name"), links)


def _wall_s(taken_at: str) -> int | None:
    try:
        moment = datetime.fromisoformat(taken_at)
        return int((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp())
    except (ValueError, OverflowError):
        return None


def _seen(link: LinkDocument) -> LinkSeen:
    component = link.component
    address = link.downstream_port or link.upstream_port or ""
    return LinkSeen(
        place=(link.slot.title if link.slot else None) or address,
        address=address,
        verdict=link.verdict.value,
        standing=link.kind.value,
        component=(component.names.device or component.names.kind) if component else None,
        kind=_numbers(component.vendor_id, component.device_id) if component else None,
        subsystem=component.subsystem_id if component else None,
        serial=_serial(component.serial) if component else None,
        alarming=link.alarming,
        silent=link.silent,
        speed_gts=link.negotiated.speed_gts,
        width=link.negotiated.width,
        possible_speed_gts=link.possible.speed_gts,
        possible_width=link.possible.width,
        reason=link.reasons[0].meaning if link.reasons and link.verdict in _WITH_REASON else None,
    )


def _numbers(vendor: str | None, device: str | None) -> str | None:
    """Vendor and device, where they were read: all ones is what an absent function answers."""
    if vendor is None or device is None or vendor.lower() == "0xffff":
        return None
    return f"{vendor}:{device}"


def _serial(text: str | None) -> str | None:
    """A serial number; all zeros and all ones are none."""
    return None if text is None or set(text) <= set("0-") or set(text.lower()) <= set("f-") else text


def _counted(link: LinkDocument) -> Counted:
    """Each function's counters, by its place on its bus: bus numbers change."""

    def named(address: str) -> tuple[str, str]:
        is_port = address == link.downstream_port
        return (WhichEnd.PORT, "") if is_port else (WhichEnd.COMPONENT, address.rpartition(":")[2])

    read = [
        (*named(address), severity.value)
        for address, totals in link.counters.items()
        for severity in Severity
        if totals.of(severity) is not None
    ]
    counts = [(*named(item.function), item.severity.value, item.error, item.count) for item in link.error_counts]
    return Counted(tuple(sorted(read)), tuple(sorted(counts)))
