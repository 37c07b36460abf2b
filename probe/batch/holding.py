"""The readings of one place held against each other, measure by measure, among machines that hold the same in it."""

from collections import defaultdict
from collections.abc import Iterator, Sequence

import msgspec

from probe.batch.document import Comparison, Finding, Held, Part, Split
from probe.batch.readings import Key, Reading, Word
from probe.batch.standing import UNLIKE, WORST_FIRST, Compared, Standing, compared


class Unlike(msgspec.Struct):
    """What of a place is unlike."""

    findings: list[Finding] = msgspec.field(default_factory=list)
    splits: list[Split] = msgspec.field(default_factory=list)


class Table:
    """One place: what each machine holds there, and how it stands."""

    def __init__(self, machines: Sequence[str], place_id: str | None, title: str) -> None:
        self._machines = machines
        self._place_id = place_id
        self._title = title
        self.held: list[list[Held]] = [[] for _ in machines]
        self.compared: list[Comparison] = []
        self.unlike = Unlike()

    def hold(self, key: Key, readings: Sequence[Reading | None], kinds: Sequence[Word | None] | None) -> None:
        """Hold the machines' readings of one key against each other; with `kinds` those of each component apart."""
        for kind, members in _alike(readings, kinds):
            outcome = compared([readings[number] for number in members])
            against = Comparison(
                measure=key.measure,
                of=key.of,
                component=None if kind is None else kind.text,
                usual=outcome.usual,
                alike=outcome.alike,
                known=outcome.known,
                needed=outcome.needed,
            )
            self.compared.append(against)
            standings = _less_sure(outcome, members, kinds) if kind is not None else outcome.standings
            self._tell(against, [(number, readings[number]) for number in members], standings)

    def _tell(
        self, against: Comparison, seen: Sequence[tuple[int, Reading | None]], standings: Sequence[Standing]
    ) -> None:
        parts: dict[Reading, list[str]] = defaultdict(list)
        for (number, reading), standing in zip(seen, standings, strict=True):
            if reading is None:
                continue
            machine = self._machines[number]
            self.held[number].append(Held(measure=against.measure, of=against.of, reading=reading, standing=standing))
            if standing in UNLIKE:
                self.unlike.findings.append(
                    Finding(
                        machine=machine, place_id=self._place_id, title=self._title, standing=standing, reading=reading,
                        against=against,
                    )
                )  # fmt: skip
            elif standing is Standing.SPLIT:
                parts[reading].append(machine)
        if parts:
            told = tuple(Part(reading, tuple(machines)) for reading, machines in parts.items())
            self.unlike.splits.append(Split(place_id=self._place_id, title=self._title, against=against, parts=told))


def worst(held: Sequence[Held]) -> Standing:
    """The standing of a cell by those of its readings."""
    return min((item.standing for item in held), key=WORST_FIRST.index, default=Standing.UNKNOWN)


def _alike(
    readings: Sequence[Reading | None], kinds: Sequence[Word | None] | None
) -> Iterator[tuple[Word | None, tuple[int, ...]]]:
    """The machines that can be compared with each other: those that hold the same component, by its kind.

    Where only one kind was read at all, a machine of which it was not read is taken as having it too.
    """
    everyone = tuple(range(len(readings)))
    known = {kind.value: kind for kind in kinds or () if kind is not None}
    if kinds is None or not known:
        yield None, everyone
        return
    for value, kind in sorted(known.items()):
        members = tuple(number for number in everyone if _is(kinds[number], value, only=len(known) == 1))
        if any(readings[number] is not None for number in members):
            yield kind, members


def _is(kind: Word | None, value: str, *, only: bool) -> bool:
    return only if kind is None else kind.value == value


def _less_sure(outcome: Compared, members: Sequence[int], kinds: Sequence[Word | None] | None) -> tuple[Standing, ...]:
    """Nobody is called odd of whom it was not read what the place holds: another component may be the cause."""
    return tuple(
        Standing.APART if standing is Standing.ODD and kinds is not None and kinds[number] is None else standing
        for number, standing in zip(members, outcome.standings, strict=True)
    )
