"""The kernel's error counts of a link: read once from the evidence, in one shape for every reader.

A counter that was not read is absent and never zero: `ErrorCounters.by_function` says of each function and severity
whether its counter was read at all.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import msgspec

from probe.kernel_spellings import nonzero_counts
from probe.links.link import WhichEnd
from probe.registers.errors import Severity


class CounterKey(NamedTuple):
    """Which counter: the end, the full address of the function, the severity, the specification's name of the error."""

    end: WhichEnd
    function: str
    severity: Severity
    error: str


class ErrorCount(msgspec.Struct, frozen=True):
    """One error as one function of one end counted it. `function` is a full address."""

    end: WhichEnd
    function: str
    severity: Severity
    error: str
    count: int

    @property
    def key(self) -> CounterKey:
        """Which counter this is."""
        return CounterKey(self.end, self.function, self.severity, self.error)


class ErrorTotals(msgspec.Struct, frozen=True):
    """The kernel's error counts since boot, by severity; None where no counter was read."""

    correctable: int | None = None
    nonfatal: int | None = None
    fatal: int | None = None

    def of(self, severity: Severity) -> int | None:
        """The count of one severity."""
        found: int | None = getattr(self, severity.value)
        return found


class ErrorCounters(msgspec.Struct, frozen=True):
    """All that the counters of one link say: what is not zero, and the totals of each function by its address."""

    counts: tuple[ErrorCount, ...] = ()
    by_function: dict[str, ErrorTotals] = {}

    @property
    def totals(self) -> ErrorTotals:
        """For the link: one event is told by several functions and both ends, so the most by any of them.

        None where that is zero and one of them was not read.
        """
        of_functions = self.by_function.values()
        return ErrorTotals(**{item.value: _most(total.of(item) for total in of_functions) for item in Severity})


def error_counts_of(end: WhichEnd, function: str, severity: Severity, text: str) -> Iterator[ErrorCount]:
    """The counts that are not zero in one counter file of the kernel."""
    for error, count in nonzero_counts(text).items():
        yield ErrorCount(end, function, severity, error, count)


def summed(counts: Iterable[ErrorCount]) -> tuple[ErrorCount, ...]:
    """Counts of one counter added up."""
    totals: dict[CounterKey, int] = {}
    for item in counts:
        totals[item.key] = totals.get(item.key, 0) + item.count
    return tuple(ErrorCount(*key, count) for key, count in totals.items())


def _most(counts: Iterable[int | None]) -> int | None:
    listed = list(counts)
    most = max((count for count in listed if count is not None), default=None)
    return None if most == 0 and None in listed else most
