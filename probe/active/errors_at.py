"""The errors of a link between two looks: by the kernel's counts, and where it keeps none by the bits of the registers.

A bit stays until somebody clears it, which nobody here does: one that stood before hides whatever came after.
"""

from collections.abc import Iterator

import msgspec

from probe.active.asking import text_of
from probe.active.link_at import EndAt, LinkAt
from probe.active.steps import Protocol
from probe.kernel_spellings import nonzero_counts
from probe.registers.device import DeviceStatus
from probe.registers.errors import CorrectableErrorStatus, Severity, UncorrectableErrorStatus, errors_in

Key = tuple[str, str, str]
"""End, severity, error."""
Counts = dict[Key, int]
"""Only those that are not zero."""

UNCORRECTABLE = "uncorrectable"
_ADVANCED = ((Severity.CORRECTABLE.value, CorrectableErrorStatus), (UNCORRECTABLE, UncorrectableErrorStatus))
# No matter of the link, and any survey of the bus leaves such bits behind.
_NOT_OF_THE_LINK = frozenset({
    UncorrectableErrorStatus.unsupported_request_error.name, CorrectableErrorStatus.advisory_non_fatal_error.name,
})  # fmt: skip
_DETECTED = (
    (Severity.CORRECTABLE.value, DeviceStatus.correctable_error_detected),
    (Severity.NONFATAL.value, DeviceStatus.non_fatal_error_detected),
    (Severity.FATAL.value, DeviceStatus.fatal_error_detected),
)


class Tally(msgspec.Struct, frozen=True):
    """Errors up to a moment: the kernel's counts, None where it keeps none for this link; the error bits that stand.

    `silent`: an end gave no Device Status, so that its bits are not known.
    """

    counts: Counts | None
    bits: frozenset[Key]
    silent: bool = False


def tally_of(link: LinkAt) -> Protocol[Tally]:
    """The errors of both ends up to now."""
    counts: Counts = {}
    bits: set[Key] = set()
    kept = silent = False
    for name, end in link.ends():
        for severity in Severity:
            text = yield from text_of(f"bus/pci/devices/{end.address}/aer_dev_{severity}")
            kept = kept or text is not None
            counts.update({(name, severity.value, error): count for error, count in nonzero_counts(text or "").items()})
        found = yield from _bits_of(end)
        silent = silent or found is None
        bits |= {(name, severity, error) for severity, error in found or ()}
    return Tally(counts if kept else None, frozenset(bits), silent)


def _bits_of(end: EndAt) -> Protocol[tuple[tuple[str, str], ...] | None]:
    """Severity and error of each bit that stands; the bits of Advanced Error Reporting in place of their sums."""
    status = yield from end.read(DeviceStatus)
    if status is None:
        return None
    found = []
    told = False
    for severity, register in _ADVANCED:
        raw = yield from end.read(register)
        told = told or raw is not None
        found += [(severity, name) for name in errors_in(register, raw or 0, named_only=True)]
    return tuple(found) if told else tuple(_detected(status))


def _detected(status: int) -> Iterator[tuple[str, str]]:
    return ((severity, field.name) for severity, field in _DETECTED if field.decode(status))


def new_bits(before: Tally, after: Tally) -> frozenset[Key]:
    """The error bits that stand now and did not before."""
    return after.bits - before.bits


def grown(before: Tally, after: Tally) -> Counts | None:
    """The errors between two looks; None where that cannot be told.

    By the kernel's counts; one that fell began anew. Without them by the bits: each new one is an error at least, and
    none is none only where no bit stood before that could hide one.
    """
    if before.counts is None or after.counts is None:
        fresh = dict.fromkeys(new_bits(before, after), 1)
        hidden = {error for _, _, error in before.bits} - _NOT_OF_THE_LINK
        sure = not hidden and not before.silent and not after.silent
        return fresh if fresh or sure else None
    then, now = before.counts, after.counts
    anew = any(now.get(key, 0) < count for key, count in then.items())
    growth = {key: count if anew else count - then.get(key, 0) for key, count in now.items()}
    return {key: count for key, count in growth.items() if count}
