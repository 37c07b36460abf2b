"""What equalization says: at which rates it completed, and how far it came. Base Specification 6.x, 4.2.4."""

from collections.abc import Iterator

from probe.links.end import LinkEnd
from probe.links.link import Link, WhichEnd
from probe.links.reason import Reason
from probe.registers.physical import EQUALIZATIONS, NO_EQUALIZATION_NEEDED, Equalization


def equalized_rates(end: LinkEnd) -> tuple[float, ...]:
    """The rates, GT/s, at which equalization completed by this end's word."""
    return tuple(rate for rate, complete in completeness(end).items() if complete)


def completeness(end: LinkEnd) -> dict[float, bool]:
    """Whether equalization completed at each rate, GT/s; a rate of which this was not read is absent."""
    facts = ((row.rate_gts, end.function.read(row.complete)) for row in EQUALIZATIONS)
    return {rate: fact.value for rate, fact in facts if fact is not None}


def equalization_by_end(link: Link) -> dict[WhichEnd, dict[str, bool]]:
    """Whether equalization completed at each rate that an end tells of; an end that tells of none is absent."""
    found = {name: completeness(end) for name, end in link.named_ends}
    return {name: {f"{rate:g}": done for rate, done in rates.items()} for name, rates in found.items() if rates}


def equalized_by_end(link: Link) -> dict[WhichEnd, tuple[str, ...]]:
    """The rates of each end that has any."""
    found = {name: equalized_rates(end) for name, end in link.named_ends}
    return {name: tuple(f"{rate:g}" for rate in rates) for name, rates in found.items() if rates}


def trained_at_best(link: Link) -> bool | None:
    """Whether the link ever trained at the best speed of both ends, by their equalization there.

    The bits stay set when a link slows down later (Base Specification 6.x, 4.2.4 and 7.5.3.20, from memory). None where
    they do not tell: below 8 GT/s there is no equalization, an end was not read, the ends contradict each other, or one
    said that it needs none.
    """
    best = link.possible.speed_gts
    told = [completeness(end).get(best) for end in link.ends] if best is not None else []
    both = len(told) == len(WhichEnd)
    if both and all(told):
        return True
    if not both or any(done is not False for done in told) or any(map(_skips_equalization, link.ends)):
        return None
    return False


def never_trained_at_best(link: Link) -> bool:
    """Both ends say that equalization at the best speed never completed."""
    return trained_at_best(link) is False


def _skips_equalization(end: LinkEnd) -> bool:
    facts = (end.function.read(field) for field in NO_EQUALIZATION_NEEDED)
    return any(fact is not None and fact.value for fact in facts)


def history_of_speed(link: Link) -> tuple[Reason, ...]:
    """What equalization says of the past of a link whose speed is short."""
    trained = trained_at_best(link)
    if trained is None:
        return ()
    best = f"{link.possible.speed_gts:g} GT/s"
    ends = " and ".join(str(end.address) for end in link.ends)
    if trained:
        return (Reason(f"equalization of {ends}", f"complete at {best}", f"it did train at {best}, and slowed since"),)
    return (
        Reason(f"equalization of {ends}", f"not complete at {best}", f"it never trained at {best} since its reset"),
    )


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
