"""What the two ends of a link counted and what their status registers hold."""

from collections.abc import Iterator

from probe.errors.attribution import Count
from probe.errors.counts import ErrorTotals
from probe.kernel_spellings import COUNTER_FILES, error_total, nonzero_counts
from probe.links.link import COMPONENT, PORT, Link
from probe.registers.errors import CorrectableErrorStatus, UncorrectableErrorStatus, errors_in


def error_totals(link: Link) -> ErrorTotals:
    """The kernel's totals for this link: one event is told by several functions and both ends, so the most by any."""
    functions = [*(end.function for end in link.ends[:1]), *link.functions]
    totals = {}
    for severity, file in COUNTER_FILES.items():
        texts = (function.evidence.attributes.get(file) for function in functions)
        counts = [total for text in texts if text is not None and (total := error_total(text)) is not None]
        totals[severity.value] = max(counts, default=None)
    return ErrorTotals(**totals)


def error_counts(link: Link) -> Iterator[Count]:
    """The kernel's counts that are not zero, of both ends."""
    named = [(PORT, link.port.function)] if link.port is not None else []
    for end, function in (*named, *((COMPONENT, function) for function in link.functions)):
        for severity, file in COUNTER_FILES.items():
            text = function.evidence.attributes.get(file)
            for error, count in nonzero_counts(text).items() if text else ():
                yield end, str(function.address), severity, error, count


def status_errors(link: Link) -> dict[str, tuple[str, ...]]:
    """Errors whose status bit is set at an end: at least one since it was cleared, counted by the kernel or not."""
    found = {}
    for name, end in link.named_ends:
        names: list[str] = []
        for register in (CorrectableErrorStatus, UncorrectableErrorStatus):
            raw = end.function.space.register(register)
            names += () if raw is None else errors_in(register, raw, named_only=True)
        if names:
            found[name] = tuple(names)
    return found
