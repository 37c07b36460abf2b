"""What equalization says: at which rates it completed, and how far it came. Base Specification 6.x, 4.2.4."""

from collections.abc import Iterator

from probe.links.end import LinkEnd
from probe.links.link import Link, WhichEnd
from probe.links.reason import Reason
from probe.registers.physical import EQUALIZATIONS, Equalization


def equalized_rates(end: LinkEnd) -> tuple[float, ...]:
    """The rates, GT/s, at which equalization completed by this end's word."""
    return tuple(rate for rate, complete in _completeness(end).items() if complete)


def _completeness(end: LinkEnd) -> dict[float, bool]:
    """Whether equalization completed at each rate, GT/s; a rate of which this was not read is absent."""
    facts = ((row.rate_gts, end.function.read(row.complete)) for row in EQUALIZATIONS)
    return {rate: fact.value for rate, fact in facts if fact is not None}


def equalization_by_end(link: Link) -> dict[WhichEnd, dict[str, bool]]:
    """Whether equalization completed at each rate that an end tells of; an end that tells of none is absent."""
    found = {name: _completeness(end) for name, end in link.named_ends}
    return {name: {f"{rate:g}": done for rate, done in rates.items()} for name, rates in found.items() if rates}


def equalized_by_end(link: Link) -> dict[WhichEnd, tuple[str, ...]]:
    """The rates of each end that has any."""
    found = {name: equalized_rates(end) for name, end in link.named_ends}
    return {name: tuple(f"{rate:g}" for rate in rates) for name, rates in found.items() if rates}


def equalization_reasons(link: Link) -> tuple[Reason, ...]:
    """Where a speed is short: what equalization reached at each rate the link should have gone through."""
    possible = link.possible.speed_gts
    if "speed" not in link.shortfall or possible is None or link.port is None:
        return ()
    return tuple(
        reason for row in EQUALIZATIONS if row.rate_gts <= possible for reason in _equalization(link.port, row)
    )


def _equalization(end: LinkEnd, row: Equalization) -> Iterator[Reason]:
    done = end.function.read(row.complete)
    if done is None:
        return
    phases = [end.function.read(phase) for phase in row.phases]
    passed = [str(number) for number, fact in enumerate(phases, start=1) if fact is not None and fact.value]
    if done.value and len(passed) == len(phases):
        meaning = f"equalization at {row.rate_gts:.1f} GT/s completed in all phases"
    elif done.value:
        meaning = f"equalization at {row.rate_gts:.1f} GT/s ended with phases {', '.join(passed) or 'none'} successful"
    else:
        meaning = f"equalization at {row.rate_gts:.1f} GT/s was not completed"
    yield Reason(done.source, done.shown, meaning)
