"""A page of a batch: who is odd and why, every place of every machine as a heat table, and what is usual."""

from collections import defaultdict
from collections.abc import Iterator

from probe.batch.document import Batch
from probe.batch.standing import Standing
from probe.counted import counted
from probe.render import styles
from probe.render.batch_words import (
    MARKS,
    certainty,
    finding_words,
    legend,
    reading_words,
    shown_places,
    split_words,
    summary,
    what,
)
from probe.render.html.page import Page, Section
from probe.render.units import even_runs

_BESIDE = 12
"""Machines beside each other: as many as a page of A4 has room for."""
_COLOURS = {**{word: word.value for word in Standing}, Standing.UNKNOWN: "unread"}
"""What the page's style sheet calls each standing."""
_METHOD = (
    "A reading is held against the same of the other machines that hold the same component in the same place; what was "
    "not read is never odd. One is odd where so many of the others agree that this would have a chance of 5 % at most "
    "if only every second machine of the model were so (the sign test). Margins and rates are unlike where they lie "
    "far below the middle, by median and spread; error counts where they are more than their share, by an exact test, "
    "and far above the middle too."
)


def render(document: Batch) -> Page:
    """The page."""
    odd = [item for item in document.findings if item.standing is Standing.ODD]
    named = dict.fromkeys(item.machine for item in odd)
    clean = not (document.findings or document.splits or document.own)
    return Page(
        title=f"{counted(len(document.machines), 'machine')} of {document.model or 'one model'}",
        verdict=f"odd: {', '.join(named)}" if named else "nobody is odd",
        colour=styles.GOOD if clean else styles.BAD,
        reasons=(summary(document), *certainty(document)),
        sections=(
            *_unlike(document),
            *_own(document),
            *_heat(document),
            _machines(document),
            _usual(document),
            Section(title="Method", texts=(_METHOD,)),
            *([Section(title="Notes", texts=document.notes)] if document.notes else []),
        ),
    )


def _unlike(document: Batch) -> Iterator[Section]:
    told = [(item.standing, item.machine, item.title, finding_words(item)) for item in document.findings]
    told += [
        (
            Standing.SPLIT,
            counted(sum(len(part.machines) for part in split.parts), "machine"),
            split.title,
            split_words(split),
        )
        for split in document.splits
    ]
    if told:
        columns = ("standing", "machine", "place", "what")
        marks = tuple((row[0], "", "", "") for row in told)
        yield Section(title="What is unlike", columns=columns, rows=tuple(told), marks=marks)


def _own(document: Batch) -> Iterator[Section]:
    rows = tuple((own.machine, own.title, own.sentence, "yes" if own.urgent else "") for own in document.own)
    if rows:
        columns = ("machine", "place", "what", "urgent")
        yield Section(title="Found in the machine itself, without comparison", columns=columns, rows=rows)


def _heat(document: Batch) -> Iterator[Section]:
    places, left_out = shown_places(document)
    whole = len(document.machines) <= _BESIDE
    for numbers in even_runs(len(document.machines), _BESIDE):
        yield Section(
            title="Place by machine" if whole else f"Place by machine, {numbers[0] + 1} to {numbers[-1] + 1}",
            texts=(f"{legend()}. Each cell has the worst of what was compared there. {left_out}".strip(),)
            if numbers[0] == 0
            else (),
            columns=("place", *(str(number + 1) for number in numbers)),
            rows=tuple((place.title, *(MARKS[place.cells[number].standing] for number in numbers)) for place in places),
            even=True,
            marks=tuple(("", *(_COLOURS[place.cells[number].standing] for number in numbers)) for place in places),
        )


def _machines(document: Batch) -> Section:
    rows = tuple(
        (
            str(number),
            machine.name,
            machine.host.firmware.get("board_version") or "not read",
            machine.host.firmware.get("bios_version") or "not read",
            machine.host.kernel or "not read",
            ", ".join(file.rpartition("/")[2] for file in machine.files),
        )
        for number, machine in enumerate(document.machines, start=1)
    )
    return Section(title="Machines", columns=("", "name", "board version", "BIOS", "kernel", "files"), rows=rows)


def _usual(document: Batch) -> Section:
    """What is usual, the places of which the same is said together."""
    places: dict[tuple[str, str, str, str], list[str]] = defaultdict(list)
    for place in (*document.places, *((document.firmware,) if document.firmware is not None else ())):
        for told in place.compared:
            usual = "nothing" if told.usual is None else reading_words(told.measure, told.usual)
            places[what(told), told.component or "", usual, f"{told.alike} of {told.known}"].append(place.title)
    found = tuple((", ".join(titles), *said) for said, titles in places.items())
    columns = ("places", "what was compared", "in machines with", "usual", "alike")
    return Section(title="What is usual", columns=columns, rows=found)
