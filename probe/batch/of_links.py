"""Readings of a machine's links as they were judged."""

from collections.abc import Iterator

from probe.audit.document import LinkDocument
from probe.batch.readings import COMPONENT, ERRORS, STATE, Count, Key, Reading, Word
from probe.evidence import Host
from probe.verdict.verdicts import Verdict

NOTHING, NO_PORT = "nothing", "no port"
_AT_WORK = frozenset({Verdict.FULL, Verdict.LIMITED, Verdict.DOWNTRAINED, Verdict.CAPPED})
"""A link that rests or may be idle is no peer, and one that could not be judged says nothing."""
_HOUR_S = 3600.0


def link_readings(link: LinkDocument, host: Host) -> dict[Key, Reading]:
    """What the link says of itself."""
    return dict(_readings(link, host))


def component_of(link: LinkDocument) -> Word | None:
    """What is in the place, by the numbers of its kind; None where they were not read."""
    component = link.component
    if link.verdict is Verdict.EMPTY:
        return Word(NOTHING)
    if component is None or component.vendor_id is None or component.device_id is None or link.silent:
        return None
    numbers = f"{component.vendor_id}:{component.device_id}"
    return Word(numbers, component.names.device or component.names.kind or numbers)


def _readings(link: LinkDocument, host: Host) -> Iterator[tuple[Key, Reading]]:
    component = component_of(link)
    if component is not None:
        yield Key(COMPONENT.name), component
    state = link.negotiated
    if link.verdict in _AT_WORK and not link.doubtful and None not in {state.speed_gts, state.width}:
        yield Key(STATE.name), Word(str(state))
    counted = link.errors.correctable
    if counted is not None and host.uptime_s and link.component is not None and not link.bandwidth.flit_mode:
        yield Key(ERRORS.name), Count(counted, round(host.uptime_s / _HOUR_S, 3))
