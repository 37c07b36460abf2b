"""The readers of the program, each with all that is made of what it reads. A target takes bytes and raises an error of
ours for what it refuses; whatever else it raises is a fault found.
"""

import contextlib
import io
import os
import shutil
import tempfile
import tomllib
import zlib
from collections.abc import Callable
from contextlib import redirect_stdout
from functools import cache
from pathlib import Path
from typing import NamedTuple

import msgspec

from fake_sysfs import Tree, card, machine, root_port
from probe.active.journal import entries_of as written_by
from probe.audit.audit import audit
from probe.audit.decoding import decoded_spaces
from probe.audit.explanation import explain
from probe.audit.snapshot import Snapshot, take
from probe.batch.comparing import batch
from probe.batch.machines import By
from probe.batch.reading import contribution_of
from probe.cli.report import _saved
from probe.collect.settings import read_settings
from probe.compare.diff import compare
from probe.compare.expectation_file import parse
from probe.compare.expectation_writing import to_toml
from probe.compare.expectations import deviations, not_covered
from probe.compare.history import history
from probe.documents.dump import configs_from_dump
from probe.documents.files import encode, snapshot_in, uncompressed
from probe.documents.record_file import RecordFile
from probe.documents.redaction import Pseudonyms
from probe.errors.log_events import log_events_of_boots
from probe.exceptions import InternalError, LinkprobeError
from probe.fleet.bucket import Bucket
from probe.fleet.chronicle import from_bytes, to_bytes
from probe.fleet.saved import rows_of_files
from probe.fleet.table import Store
from probe.fleet.telling import rows_of
from probe.foreign_text import made_plain
from probe.host.kernel_log import saved_boots
from probe.host.machine import read_machine
from probe.host.opening import tar_source
from probe.paths.paths import paths
from probe.qualify.beginning import PlanFile
from probe.qualify.checking import Checking
from probe.qualify.document import QualificationRecord, summary_of
from probe.qualify.journal_lines import decoded as entries_in
from probe.qualify.journal_lines import whole_lines
from probe.qualify.preview import Preview
from probe.qualify.sealing import verify
from probe.qualify.site import Site
from probe.render.forms import drawn_as, soak_drawn_as
from probe.render.openmetrics.collected import Collected, RunFigures, exposition
from probe.render.terminal import log as log_screen
from probe.render.terminal.console import console
from probe.soak.reading import entries_of
from probe.soak.record import record
from tests.fuzz import mutations
from tests.fuzz.drawing import drawn, on_a_screen, plain

CORPUS = Path(__file__).with_name("corpus")
NOW_S = 1_800_000_000
_PLACE = "0000:01:00.0"
_CONFIG = f"sys/devices/pci0000:00/0000:00:01.0/{_PLACE}/config"
_NAME = "input"


class Target(NamedTuple):
    """A reader and what is made of it, how inputs are changed, and which kept inputs it begins with."""

    use: Callable[[bytes], None]
    change: mutations.Mutation
    corpus: str
    most_bytes: int = 1 << 16

    @property
    def kept(self) -> list[Path]:
        """Its kept inputs: seeds, and those that once found a fault."""
        return sorted((CORPUS / self.corpus).iterdir())

    def tried(self, data: bytes) -> None:
        """Use an input. An error of ours that is no fault of ours ends it; whatever else it raises is a fault."""
        try:
            self.use(data)
        except InternalError:
            raise
        except LinkprobeError as error:
            str(error).encode("utf-8", "surrogateescape")


@cache
def _tree() -> Tree:
    holding = card("16 GT/s x4", serial=0x1234, attributes={"label": "Card"}, counters={"correctable": {"BadTLP": 3}})
    return machine(root_port("0000:00:01.0", "16 GT/s x8", slot=1, trained="8 GT/s x4").holds(holding)).build()


@cache
def _snapshot() -> Snapshot:
    return take(read_machine(_tree().source()))


@cache
def _folder() -> Path:
    base = Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else None  # noqa: S108 - a folder of our own in it
    return Path(tempfile.mkdtemp(prefix="linkprobe-fuzz-", dir=base))


def _file(data: bytes, name: str = _NAME) -> Path:
    path = _folder() / name
    path.write_bytes(data)
    path.chmod(0o600)
    return path


def _one_in(count: int, data: bytes) -> bool:
    """Whether an input is one of so many, always the same ones."""
    return zlib.crc32(data) % count == 0


def config(data: bytes) -> None:
    """A function's config space in a machine, and as a dump."""
    evidence = read_machine(_tree().with_file(_CONFIG, data).source())
    drawn(audit(evidence))
    explained = explain(evidence, _PLACE, registers=True)
    decoded = decoded_spaces([(None, dump.space) for dump in configs_from_dump(data, _NAME)], _NAME)
    for document in (explained, decoded):
        encode(document)
        if _one_in(8, data):  # hundreds of rows a screen
            on_a_screen(document)


def capability_lists(data: bytes) -> None:
    """Double words laid over a whole config space: two bytes of offset, four of value."""
    image = bytearray(_tree().files[_CONFIG].ljust(4096, b"\0"))
    for at in range(0, len(data) - 5, 6):
        offset = int.from_bytes(data[at : at + 2], "little") % 1024 * 4
        image[offset : offset + 4] = data[at + 2 : at + 6]
    config(bytes(image))


def smbios(data: bytes) -> None:
    """The firmware's table of a machine."""
    evidence = read_machine(_tree().with_file("sys/firmware/dmi/tables/DMI", data).source())
    drawn(audit(evidence))
    on_a_screen(explain(evidence, _PLACE, registers=False))


def kernel_log(data: bytes) -> None:
    """A saved log, and the same as a machine's own."""
    events = log_events_of_boots(saved_boots(data.decode("utf-8", "replace"), _NAME))
    for event in events:
        encode(event)
    screen = io.StringIO()
    with redirect_stdout(screen):
        log_screen.render(made_plain(events), console())
    plain(screen.getvalue())
    evidence = read_machine(_tree().with_file("dev/kmsg", data).source())
    drawn(audit(evidence))
    before = _snapshot()
    drawn(compare([before, take(evidence)]))


def hex_text(data: bytes) -> None:
    """A dump in text."""
    drawn(decoded_spaces([(dump.heading, dump.space) for dump in configs_from_dump(data, _NAME)], _NAME))


def snapshot(data: bytes) -> None:
    """A snapshot judged and explained."""
    found = snapshot_in(data, _NAME)
    document = audit(found.evidence)
    drawn(document)
    on_a_screen(document, quiet=True)
    for link in document.links[:3]:
        address = link.downstream_port or link.upstream_port
        if address is not None:
            drawn(explain(found.evidence, address, registers=True))
    drawn(paths(found.evidence, ()))


def snapshots_compared(data: bytes) -> None:
    """A snapshot before another, after another, and over boots."""
    found, other = snapshot_in(data, _NAME), _snapshot()
    for before, after in ((found, other), (other, found), (found, found)):
        drawn(compare([before, after]))
    drawn(history([other, found]))


def snapshots_told(data: bytes) -> None:
    """A snapshot redacted, as metrics, as expectations."""
    found = snapshot_in(data, _NAME)
    links = audit(found.evidence).links
    for openmetrics in (False, True):
        run = RunFigures(taken_s=1.0, seconds=1.0)
        plain(exposition(Collected(links, {}, run), openmetrics=openmetrics).decode())
    clean = Pseudonyms(b"k" * 32).clean(found)
    again = snapshot_in(encode(clean), _NAME)
    assert len(again.links) == len(found.links)
    text = to_toml(links, found.evidence.host.name or "")
    tomllib.loads(text)
    with contextlib.suppress(LinkprobeError):  # a machine without slots states no rule
        rules = parse(text.encode(), _NAME)
        deviations(rules, audit(found.evidence))


def documents_of_machines(data: bytes) -> None:
    """Any document, beside another of one model, and as rows of a fleet."""
    with contextlib.suppress(LinkprobeError):
        other = msgspec.structs.replace(_snapshot(), links=())
        drawn(batch([contribution_of(data, "a"), contribution_of(encode(other), "b")], By.FILE, any_model=True))
    rows_of_files([(_NAME, data)], NOW_S)


def documents(data: bytes) -> None:
    """Any document as a page."""
    from probe.render.html.page import html  # noqa: PLC0415 - altair's neighbours load slowly

    plain(html(_saved(data, _NAME, lambda document: document)))


def soak(data: bytes) -> None:
    """The journal of a soak, judged and in every form."""
    entries = entries_of(uncompressed(data, _NAME, ""), _NAME)
    document = record(entries)
    on_a_screen(document)
    for form in ("x.html", "x.xml", "x.csv", "x.samples.csv"):
        plain(soak_drawn_as(Path(form), document, entries, RecordFile(_NAME, "0" * 64)).decode())


def settings(data: bytes) -> None:
    """The settings of the collector."""
    read_settings(_file(data))


def expectations(data: bytes) -> None:
    """Expectations that a machine is held to."""
    found, document = parse(data, _NAME), audit(_snapshot().evidence)
    held = msgspec.structs.replace(
        document, deviations=deviations(found, document), observations=tuple(not_covered(found, document.links))
    )
    drawn(held)


@cache
def _site() -> Site:
    return Site(sysfs=_tree().write(_folder() / "tree"), folder=_folder(), record=_folder() / "record.json")


def plan(data: bytes) -> None:
    """The plan of a qualification, held against a machine."""
    file = PlanFile(_file(data))
    if file.reading.plan is None:
        on_a_screen(Preview(plan=_NAME, faults=file.reading.faults))
        return
    on_a_screen(Checking(file.plan, _site(), file.lines, {}).preview(_NAME))


def qualification(data: bytes) -> None:
    """The record of a qualification: verified, and in every form; its journal by itself."""
    with contextlib.suppress(LinkprobeError):
        entries_in(whole_lines(data, _NAME), _NAME)
    drawn(verify(data, _NAME))
    whole = msgspec.json.decode(data, type=QualificationRecord)
    summary = summary_of(whole)
    on_a_screen(summary)
    entries = entries_in(tuple(bytes(line) for line in whole.journal), _NAME)
    for form in ("x.html", "x.xml", "x.csv"):
        plain(drawn_as(Path(form), summary, entries).decode())


def active_journal(data: bytes) -> None:
    """What a test that writes to hardware keeps of old values."""
    written_by(_file(data))


def tar(data: bytes) -> None:
    """A tar of a machine's files."""
    evidence = read_machine(tar_source(data, _NAME))
    drawn(audit(evidence))
    encode(take(evidence))


def chronicle(data: bytes) -> None:
    """What a part of the store holds of one host."""
    found = from_bytes(data)
    rows_of(found)
    from_bytes(to_bytes(found))


@cache
def _store() -> Path:
    released = Path(__file__).parents[1] / "released" / "0.1.0" / "store"
    return Path(shutil.copytree(released, _folder() / "store"))


def store_part(data: bytes) -> None:
    """A file of the store."""
    store = Store(str(_store()))
    version = store.version()
    assert version is not None
    part = next(item for item in version.parts if item.kind == "chronicles")
    (_store() / part.path).write_bytes(data)
    bucket = Bucket(store, part.bucket, version.of(part.bucket))
    for host in bucket.hosts:
        rows_of(bucket.chronicle(host))
    store.read(part)


TARGETS = {
    "config": Target(config, mutations.of_words, "config", 4096),
    "capability-lists": Target(capability_lists, mutations.of_bytes, "capability-lists", 600),
    "smbios": Target(smbios, mutations.of_bytes, "smbios", 4096),
    "kernel-log": Target(kernel_log, mutations.of_lines, "kernel-log"),
    "hex-text": Target(hex_text, mutations.of_lines, "hex-text"),
    "snapshot": Target(snapshot, mutations.of_documents, "snapshot"),
    "snapshots-compared": Target(snapshots_compared, mutations.of_documents, "snapshot"),
    "snapshots-told": Target(snapshots_told, mutations.of_documents, "snapshot"),
    "documents": Target(documents, mutations.of_documents, "documents"),
    "documents-of-machines": Target(documents_of_machines, mutations.of_documents, "documents"),
    "soak": Target(soak, mutations.of_documents, "soak"),
    "settings": Target(settings, mutations.of_settings, "settings", 4096),
    "expectations": Target(expectations, mutations.of_settings, "expectations", 4096),
    "plan": Target(plan, mutations.of_settings, "plan", 4096),
    "qualification": Target(qualification, mutations.of_documents, "qualification"),
    "active-journal": Target(active_journal, mutations.of_documents, "active-journal"),
    "tar": Target(tar, mutations.of_members, "tar", 1 << 18),
    "chronicle": Target(chronicle, mutations.of_packed, "chronicle"),
    "store-part": Target(store_part, mutations.of_bytes, "store-part"),
}
