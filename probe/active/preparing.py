"""What every run does first: the evidence with both ends awake, who uses what is below, and disks held.

May live here: reading by way of `probe.host`, and asking the guard. May not: writing, drawing.
"""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

import msgspec

from probe.active.guard import (
    BOUND,
    WORDS,
    Effect,
    Finding,
    Ground,
    disks_to_hold,
    findings,
    standing_in_the_way,
)
from probe.active.target import Target, ends_named, targets
from probe.errors.log_events import firmware_keeps_errors
from probe.evidence import Evidence, Unread
from probe.exceptions import InputError
from probe.host.below import FunctionNow, functions_below
from probe.host.bounded import read_bounded, read_functions
from probe.host.exclusive import ExclusiveHold
from probe.host.source import DirectorySource, Source
from probe.host.uses import read_uses
from probe.kernel_spellings import VIRTUAL_FUNCTIONS
from probe.links.function import FunctionFacts


class Bench(msgspec.Struct, frozen=True):
    """A machine whose links are to be tested: where it is, what was read of it, and the links named."""

    source: DirectorySource
    evidence: Evidence
    under_test: tuple[Target, ...]


def bench(source: Source, words: Sequence[str]) -> Bench:
    """Read the machine, and wake the ends of the links that are named. Raises InputError."""
    if not isinstance(source, DirectorySource):
        raise InputError("cannot be tested", where=source.label, remedy="give a directory, or none for this host")
    if not words:
        raise InputError("no link is named", where="LINK", remedy="name one; linkprobe audit lists them")
    evidence = read_bounded(source)
    ends = ends_named(evidence, words)
    asleep = {item.address for item in evidence.functions if item.address in ends and not item.config}
    if asleep:
        evidence = _awake(source, evidence, asleep)
    return Bench(source, evidence, targets(evidence, words))


def _awake(source: DirectorySource, evidence: Evidence, asleep: set[str]) -> Evidence:
    """The evidence with the functions that sleep read too: reading their registers wakes them for that moment."""
    woken = {item.address: item for item in read_functions(source, sorted(asleep), wake=True)}
    functions = tuple(woken.get(item.address, item) for item in evidence.functions)
    return msgspec.structs.replace(evidence, functions=functions)


class Guarding:
    """The guard of one run: walks anew each time it is asked, and holds the disks below for as long as it lives."""

    def __init__(self, tested: Bench, accepted: Iterable[str]) -> None:
        self._bench = tested
        self._accepted = checked_words(accepted)
        self._hold = ExclusiveHold()

    @property
    def live(self) -> bool:
        """The machine is this host."""
        return self._bench.source.live

    def walk(self, target: Target, effect: Effect) -> tuple[Finding, ...]:
        """Everything that speaks against the test now, words or no words."""
        source, evidence = self._bench.source, self._bench.evidence
        below, moved = as_it_is_now(target, source)
        ground = Ground(
            target=msgspec.structs.replace(target, below=below), effect=effect, uses=read_uses(source),
            firmware_first=firmware_keeps_errors(evidence.kernel_log), moved=moved,
        )  # fmt: skip
        refused = self._hold.take(disks_to_hold(ground)) if source.live else ()
        return findings(ground, refused)

    def objections(self, target: Target, effect: Effect) -> tuple[Finding, ...]:
        """What speaks against the test now and is not covered by the words given."""
        found = standing_in_the_way(self.walk(target, effect), self._accepted)
        if effect is Effect.POWER_OFF:
            self._hold.let_go()  # a disk that is held would come back under another name
        return found

    def let_go(self) -> None:
        """Let the disks go."""
        self._hold.let_go()


def as_it_is_now(target: Target, source: Source) -> tuple[tuple[FunctionFacts, ...], tuple[str, ...]]:
    """The functions below, with drivers and groups as they are now, and the addresses of those that came or went."""
    found = functions_below(source, target.port.evidence.path)
    if isinstance(found, Unread):
        return target.below, ("below the port",)
    now = {item.address: item for item in found}
    known = {str(function.address): function for function in target.below}
    moved = sorted(set(known).symmetric_difference(now))
    return tuple(_now(function, now.get(address)) for address, function in known.items()), tuple(moved)


def _now(function: FunctionFacts, found: FunctionNow | None) -> FunctionFacts:
    if found is None:
        return function
    attributes = {name: text for name, text in function.evidence.attributes.items() if name != VIRTUAL_FUNCTIONS}
    if found.virtual_functions is not None:
        attributes[VIRTUAL_FUNCTIONS] = found.virtual_functions
    return FunctionFacts(
        msgspec.structs.replace(
            function.evidence, driver=found.driver, iommu_group=found.iommu_group, attributes=attributes
        )
    )


def checked_words(words: Iterable[str]) -> frozenset[str]:
    """The words of consent as given. Raises InputError for one that means nothing."""
    given = frozenset(words)
    for word in sorted(given):
        if word not in WORDS and not (word.startswith(BOUND) and len(word) > len(BOUND)):
            raise InputError(
                "is no word of consent", where=f"--accept {word}", remedy=f"choose among {', '.join(WORDS)}"
            )
    return given


def refuse(target: Target, found: Sequence[Finding]) -> None:
    """Raise InputError for what stands in the way of a test, each with who it is and what would help."""
    if not found:
        return
    never = [item for item in found if item.word is None]
    told = dict.fromkeys(f"{item.what}: {item.user}" for item in (never or found))
    remedies = dict.fromkeys(item.remedy for item in never if item.remedy)
    words = dict.fromkeys(item.word for item in found if item.word is not None)
    remedy = ", or ".join(filter(None, remedies)) or "test another link"
    if not never:
        remedy = f"if that may be lost, say so: {' '.join(f'--accept {word}' for word in words)}"
    raise InputError(f"is not tested ({'; '.join(told)})", where=f"link below {target.port.address}", remedy=remedy)


@contextmanager
def guarded(source: Source, words: Sequence[str], accepted: Iterable[str]) -> Iterator[tuple[Bench, Guarding]]:
    """The machine with the links named, and a guard that holds disks until the end. Raises InputError."""
    tested = bench(source, words)
    guarding = Guarding(tested, accepted)
    try:
        yield tested, guarding
    finally:
        guarding.let_go()
