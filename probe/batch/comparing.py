"""The batch made of its machines: every reading held against the same of the others, cell by cell."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from probe.audit.names import described, identity
from probe.audit.verdict_headline import headline
from probe.batch.contribution import Contribution
from probe.batch.document import Batch, Cell, Finding, Held, Machine, Own, Place
from probe.batch.holding import Table, Unlike, worst
from probe.batch.machines import By, Member, members, model_of
from probe.batch.of_links import NO_PORT, NOTHING
from probe.batch.placing import Laid, Placed, laid_out, title_of
from probe.batch.readings import COMPONENT, FIRMWARE, MEASURES, Key, Reading, Word
from probe.batch.standing import WORST_FIRST, fewest_for_odd
from probe.placeholders import is_stated
from probe.result import Result

_ORDER = {measure.name: number for number, measure in enumerate(MEASURES)}
_OF_LIKE = {measure.name for measure in MEASURES if measure.of_like_components}
_KERNEL = "kernel"
_OF_THE_MACHINE = {
    "board_version": "board version", "bios_version": "BIOS version", "bios_release": "BIOS release", _KERNEL: "kernel",
}  # fmt: skip


def batch(parts: Sequence[Contribution], by: By = By.HOST, *, any_model: bool = False) -> Batch:
    """Machines of one model held against each other. Raises InputError where the files are no batch."""
    found = members(parts, by, any_model=any_model)
    laid = laid_out(found)
    rows = [_place(place_id, laid) for place_id in _place_ids(laid)]
    places = tuple(place for place, _ in rows)
    firmware, of_machines = _firmware(found)
    unlike = [*(unlike for _, unlike in rows), of_machines]
    return Batch(
        model=model_of(found),
        machines=tuple(_machine(item) for item in laid),
        enough=fewest_for_odd(),
        findings=tuple(sorted((item for each in unlike for item in each.findings), key=_finding_order)),
        splits=tuple(item for each in unlike for item in each.splits),
        own=tuple(_own(places)),
        places=places,
        firmware=firmware,
        notes=tuple(_notes(parts, laid)),
    )


def _machine(laid: Laid) -> Machine:
    member = laid.member
    files = tuple(part.file for part in member.parts)
    return Machine(name=member.name, host=member.host, files=files, links_from=laid.links_from)


def _place_ids(laid: Sequence[Laid]) -> list[str]:
    """Every place that holds something in any machine, or of which a test said something."""
    worth = {
        place_id
        for item in laid
        for place_id, place in item.places.items()
        if place.tested or any(not _is_nothing(key, reading) for key, reading in place.readings.items()) or _has(place)
    }
    return sorted(worth)


def _has(place: Placed) -> bool:
    return place.link is not None and place.link.component is not None


def _is_nothing(key: Key, reading: Reading) -> bool:
    return key.measure == COMPONENT.name and isinstance(reading, Word) and reading.value == NOTHING


def _place(place_id: str, laid: Sequence[Laid]) -> tuple[Place, Unlike]:
    here = [_here(item, place_id) for item in laid]
    kinds = [_kind(place) for place in here]
    title = title_of(here, place_id)
    table = Table([item.member.name for item in laid], place_id, title)
    for key in sorted({key for place in here for key in place.readings}, key=_told_order):
        table.hold(key, [place.readings.get(key) for place in here], kinds if key.measure in _OF_LIKE else None)
    cells = tuple(_cell(item, place, held) for item, place, held in zip(laid, here, table.held, strict=True))
    return Place(place_id=place_id, title=title, cells=cells, compared=tuple(table.compared)), table.unlike


def _told_order(key: Key) -> tuple[int, str]:
    return _ORDER[key.measure], key.of


def _here(laid: Laid, place_id: str) -> Placed:
    """The place in one machine; where its links are known and it is not among them, it has no such port."""
    place = laid.places.get(place_id, Placed())
    if laid.links_from is not None and place.link is None and not place.readings:
        return Placed(readings={Key(COMPONENT.name): Word(NO_PORT)})
    return place


def _kind(place: Placed) -> Word | None:
    kind = place.readings.get(Key(COMPONENT.name))
    return kind if isinstance(kind, Word) else None


def _cell(laid: Laid, place: Placed, held: Sequence[Held]) -> Cell:
    link = place.link
    standing = worst(held)
    tested = tuple(place.tested[test] for test in sorted(place.tested))
    if link is None:
        return Cell(machine=laid.member.name, standing=standing, readings=tuple(held), tested=tested)
    return Cell(
        machine=laid.member.name,
        standing=standing,
        verdict=link.verdict,
        headline=headline(link),
        negotiated=link.negotiated,
        possible=link.possible,
        component=described(link),
        identity=identity(link),
        downstream_port=link.downstream_port,
        alarming=link.alarming,
        urgent=link.urgent,
        readings=tuple(held),
        tested=tested,
    )


def _firmware(found: Sequence[Member]) -> tuple[Place, Unlike]:
    """The machine as a whole: versions of its board, firmware and kernel."""
    title = "the machine"
    table = Table([member.name for member in found], None, title)
    for name, words in _OF_THE_MACHINE.items():
        readings = [_version(member, name) for member in found]
        if any(readings):
            table.hold(Key(FIRMWARE.name, words), readings, None)
    cells = tuple(
        Cell(machine=member.name, standing=worst(held), readings=tuple(held))
        for member, held in zip(found, table.held, strict=True)
    )
    return Place(place_id="", title=title, cells=cells, compared=tuple(table.compared)), table.unlike


def _version(member: Member, name: str) -> Word | None:
    text = member.host.kernel if name == _KERNEL else member.host.firmware.get(name)
    return Word(text) if text is not None and is_stated(text) else None


def _finding_order(finding: Finding) -> tuple[int, int]:
    return WORST_FIRST.index(finding.standing), _ORDER[finding.against.measure]


def _own(places: Sequence[Place]) -> Iterator[Own]:
    """What stands without a comparison: links that alarm, tests that failed. What cannot wait comes first."""
    found = []
    for place in places:
        for cell in place.cells:
            named = {"machine": cell.machine, "place_id": place.place_id, "title": place.title}
            if cell.alarming or cell.urgent:
                found.append(Own(**named, sentence=f"{cell.verdict}: {cell.headline}", urgent=cell.urgent))
            found += [
                Own(**named, sentence=f"{item.test} {item.result}: {'; '.join(item.reasons)}", urgent=item.urgent)
                for item in cell.tested
                if item.result is Result.FAILED or item.urgent
            ]
    yield from sorted(found, key=lambda item: not item.urgent)


def _notes(parts: Sequence[Contribution], laid: Sequence[Laid]) -> Iterator[str]:
    by_digest: Mapping[str, list[str]] = defaultdict(list)
    for part in parts:
        by_digest[part.digest].append(part.file)
    for files in sorted(sorted(files) for files in by_digest.values() if len(files) > 1):
        yield f"{', '.join(files[1:])} is the same file as {files[0]}, and counts once"
    for item in laid:
        older = [part.file for part in item.member.parts if part.links is not None and part.file != item.links_from]
        if older:
            set_aside = ", ".join(sorted(older))
            yield f"{item.member.name}: links are those of {item.links_from}, the newest; not of {set_aside}"
        if item.links_from is None:
            yield f"{item.member.name}: no file holds its links, so that it is not known what is in its places"
