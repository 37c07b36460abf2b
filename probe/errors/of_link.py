"""What the two ends of a link counted and what their status registers hold.

A counter that was not read is None and never zero; a function that keeps none is absent. An end whose register was
not read is absent, and one that was read and holds nothing is there and empty.
"""

from probe.errors.counts import ErrorCount, ErrorCounters, ErrorTotals, error_counts_of
from probe.kernel_spellings import COUNTER_FILES, error_total
from probe.links.function import FunctionFacts
from probe.links.link import Link, WhichEnd
from probe.registers.errors import (
    ADVANCED_ERROR_REPORTING,
    CorrectableErrorStatus,
    UncorrectableErrorStatus,
    errors_in,
)


def error_counters(link: Link) -> ErrorCounters:
    """What the kernel's counters of both ends say, each function for itself."""
    counts: list[ErrorCount] = []
    totals: dict[str, ErrorTotals] = {}
    ends = [(WhichEnd.PORT, link.port.function)] if link.port is not None else []
    for end, function in (
        *ends,
        *((WhichEnd.COMPONENT, function) for function in (*link.functions, *link.virtual_functions)),
    ):
        address = str(function.address)
        if _has_none(function) or (function.is_virtual and not _has_any(function)):
            continue
        texts = {severity: function.evidence.attributes.get(file) for severity, file in COUNTER_FILES.items()}
        totals[address] = ErrorTotals(
            **{severity.value: None if text is None else error_total(text) for severity, text in texts.items()}
        )
        for severity, text in texts.items():
            counts += error_counts_of(end, address, severity, text or "")
    return ErrorCounters(tuple(counts), totals)


def _has_none(function: FunctionFacts) -> bool:
    """Whether the function keeps no counters: no file of them stands in its directory, nor does it have the capability.

    The kernel shows them for every function that has it (drivers/pci/pcie/aer.c, `aer_stats_attrs_are_visible`).
    """
    listed = {*function.evidence.attributes, *(item.path.rpartition("/")[2] for item in function.unread())}
    seen = bool(function.evidence.attributes) and listed.isdisjoint(COUNTER_FILES.values())
    return seen and function.space.find(ADVANCED_ERROR_REPORTING) is None


def _has_any(function: FunctionFacts) -> bool:
    return any(file in function.evidence.attributes for file in COUNTER_FILES.values())


def status_errors(link: Link) -> dict[WhichEnd, tuple[str, ...]]:
    """Errors whose status bit is set at an end: at least one since it was cleared, counted by the kernel or not."""
    return {name: names for name, end in link.named_ends if (names := _status_errors(end.function)) is not None}


def _status_errors(function: FunctionFacts) -> tuple[str, ...] | None:
    names: list[str] = []
    for register in (CorrectableErrorStatus, UncorrectableErrorStatus):
        raw = function.space.register(register)
        if raw is None:
            return None
        names += errors_in(register, raw, named_only=True)
    return tuple(names)
