"""A snapshot as places that can be compared: what is in each, how it runs, what its counters say.

A place is known by the way it is wired from the root, never by bus number. Times, loads, orders are no part of it.
"""

from collections.abc import Iterator, Mapping
from functools import cached_property

import msgspec

from probe.address import Address
from probe.audit.document import LinkDocument
from probe.audit.names import described, title
from probe.audit.snapshot import Snapshot, judged_links
from probe.compare.identity import Identity, identity_of
from probe.errors.counts import ErrorCount, ErrorTotals
from probe.evidence import Evidence, FunctionEvidence
from probe.kernel_spellings import ASLEEP, SUSPENDED
from probe.links.function import FunctionFacts
from probe.links.link import WhichEnd
from probe.registers.errors import Severity
from probe.verdict.verdicts import Verdict

FunctionKey = tuple[WhichEnd, int, int]
"""A function of one end: the end, device and function number. The bus number may be another one later; a virtual
function on a bus further on has a device number above those of one bus."""

DEVICES_OF_A_BUS = 32


class FunctionCounters(msgspec.Struct, frozen=True):
    """What the counters of one function say. `address` is its full address in this snapshot."""

    address: str
    totals: ErrorTotals
    counts: tuple[ErrorCount, ...]

    def filled_from(self, earlier: "FunctionCounters") -> "FunctionCounters":
        """These counters with those of the severities that only an earlier reading gave."""
        lost = {item for item in Severity if self.totals.of(item) is None}
        if not lost:
            return self
        totals = {item.value: (earlier if item in lost else self).totals.of(item) for item in Severity}
        counts = (item for item in earlier.counts if item.severity in lost)
        return FunctionCounters(self.address, ErrorTotals(**totals), (*self.counts, *counts))


class Place(msgspec.Struct, frozen=True, dict=True):
    """One place of one snapshot.

    `key` is the same for this place in every snapshot compared. `identity` is of what is in it, as far as it is known
    by then; None for an empty place. `earlier` is what was last read of its counters in the same boot.
    """

    key: str
    title: str
    link: LinkDocument
    identity: Identity | None
    earlier: Mapping[FunctionKey, FunctionCounters] = {}

    @property
    def id(self) -> str:
        """The way it is wired in its own snapshot."""
        return self.link.place_id

    @property
    def component(self) -> str:
        """What is in it, in words."""
        return described(self.link) or "nothing"

    @property
    def asleep(self) -> bool:
        """Whether what is in it was asleep, by its power state: what it does not give then is not lost."""
        return self.link.component is not None and self.link.component.power_state in {*ASLEEP, SUSPENDED}

    @property
    def rests(self) -> bool:
        """Whether what is in it was asleep or saved power."""
        return self.asleep or self.link.verdict is Verdict.RESTING

    @cached_property
    def functions(self) -> dict[FunctionKey, FunctionCounters]:
        """The counters of both ends, by function."""
        counts: dict[str, list[ErrorCount]] = {}
        for item in self.link.error_counts:
            counts.setdefault(item.function, []).append(item)
        return {
            key: FunctionCounters(
                address, self.link.counters.get(address, ErrorTotals()), tuple(counts.get(address, ()))
            )
            for key, address in self._addresses()
        }

    @cached_property
    def last_read(self) -> dict[FunctionKey, FunctionCounters]:
        """As `functions`, each counter that was not read here as it last was."""
        return {
            key: here.filled_from(self.earlier[key]) if key in self.earlier else here
            for key, here in self.functions.items()
        }

    @cached_property
    def function_numbers(self) -> dict[tuple[int, int], str]:
        """The component's functions, virtual ones apart: device and function number to full address."""
        below = self.link.component.functions if self.link.component else ()
        return {key[1:]: address for key, address in self._addresses() if address in below}

    def _addresses(self) -> Iterator[tuple[FunctionKey, str]]:
        port = self.link.downstream_port
        below = self.link.component.functions if self.link.component else ()
        bus = Address.parse(below[0]).bus if below else None
        for text in dict.fromkeys((*self.link.counters, *below)):
            address = Address.parse(text)
            end = WhichEnd.PORT if text == port else WhichEnd.COMPONENT
            further = (
                0 if bus is None or end is WhichEnd.PORT else address.bus - bus
            )  # virtual functions may spill over
            yield (end, address.device + further * DEVICES_OF_A_BUS, address.function), text


class Comparable(msgspec.Struct, frozen=True):
    """One snapshot: its places by key, and the evidence that they were made of."""

    places: Mapping[str, Place]
    evidence: Evidence

    def could_not_read(self, place: Place) -> bool:
        """Whether a function of a place, of another snapshot, is listed here and nothing of it was read."""
        component = place.link.component
        functions = {place.link.downstream_port, *(component.functions if component is not None else ())}
        return any(item.address in functions and FunctionFacts(item).mute for item in self.evidence.functions)

    def serial_not_read(self, place: Place) -> bool:
        """Whether a serial number that the component of a place of this snapshot may have was not read."""
        if place.identity is None or place.identity.serial is not None or place.link.component is None:
            return False
        functions = place.link.component.functions
        return any(item.address in functions and not _read_whole(item) for item in self.evidence.functions)


def _read_whole(function: FunctionEvidence) -> bool:
    whole = function.config_end is None and function.why_unread("config") is None
    return whole and not FunctionFacts(function).silent


def comparable(snapshot: Snapshot) -> Comparable:
    """A snapshot as comparable places, each under its own wiring."""
    places = {link.place_id: _place(link) for link in judged_links(snapshot)}
    return Comparable(places, snapshot.evidence)


def _place(link: LinkDocument) -> Place:
    return Place(link.place_id, title(link), link, None if link.component is None else identity_of(link.component))
