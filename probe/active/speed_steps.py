"""Asking a link for one speed, and bringing links back to what they were. Protocols: no file, no clock.

Through the kernel's cooling device where the port has one, since the kernel then holds its own lock and waits itself;
else by Target Link Speed of the port and a retrain.
"""

from collections.abc import Sequence

from probe.active.asking import answering, read, write
from probe.active.journal import LinkBefore
from probe.active.link_at import LinkAt, state_in, state_of
from probe.active.permitted import Scope
from probe.active.restoring import Leftover
from probe.active.steps import CannotWrite, Protocol
from probe.active.training import Problem, Seen, Watch, aftermath, train, while_written
from probe.active.ways import ByRetrain, ByTarget, SpeedMeans
from probe.links.function import FunctionFacts
from probe.links.state import LinkState
from probe.registers.bits import differing
from probe.registers.link import LinkCapabilities, LinkCapabilities2, LinkControl2, LinkStatus
from probe.registers.values import SPEED_GTS

RISES = 3
"""Retrains that a rise in speed may need (seen in one vendor's kernel driver)."""
_TARGET = LinkControl2.target_link_speed


def speeds_of(end: FunctionFacts) -> tuple[float, ...]:
    """The speeds, GT/s ascending, that an end says it supports: its vector, else all up to its maximum."""
    listed = end.space.value(LinkCapabilities2.supported_link_speeds_vector)
    most = end.space.value(LinkCapabilities.max_link_speed)
    if listed:
        return listed
    return () if most is None else tuple(speed for speed in SPEED_GTS.values() if speed <= most)


def common_speeds(port: FunctionFacts, component: FunctionFacts) -> tuple[float, ...]:
    """The speeds, GT/s ascending, that both ends of a link support."""
    other = frozenset(speeds_of(component))
    return tuple(speed for speed in speeds_of(port) if speed in other)


def step_to(link: LinkAt, speed_gts: float, means: SpeedMeans) -> Protocol[tuple[Seen, ...]]:
    """Ask for a speed until the link runs at it, RISES times at most; what was seen each time."""
    code = next(code for code, speed in SPEED_GTS.items() if speed == speed_gts)
    seen: list[Seen] = []
    refused = (yield from _set_target(link, code)) if isinstance(means, ByTarget) else None
    if refused is not None:
        return (refused,)
    while len(seen) < RISES:
        if isinstance(means, ByTarget):
            seen.append((yield from train(link, ByRetrain())))
        else:
            watch = yield from while_written(link, means.path, str(means.most - code))
            seen.append((yield from aftermath(link, watch)))
        if seen[-1].problem is not None or seen[-1].state.speed_gts == speed_gts or not seen[-1].signs:
            break
    return tuple(seen)


def _set_target(link: LinkAt, code: int) -> Protocol[Seen | None]:
    """Write Target Link Speed and read it back; what stands against it, None where it was taken."""
    offset = link.port.express + LinkControl2.offset
    watch = Watch()
    try:
        yield from write(link.port.address, offset, 1, code, _TARGET.mask)
    except CannotWrite as error:
        watch.fail(Problem.REFUSED, str(error))
        return (yield from aftermath(link, watch))
    kept = yield from answering(link.port.address, offset, 1)
    if kept is None or differing(kept, code, _TARGET.mask):
        watch.fail(Problem.HELD)
        return (yield from aftermath(link, watch))
    return None


def bring_back(scope: Scope, links: Sequence[LinkBefore]) -> Protocol[tuple[Leftover, ...]]:
    """Retrain each link that is slower or narrower than it was, RISES times at most; what is still so is a Leftover."""
    left = []
    for before in links:
        link = LinkAt.before(before, scope)
        if link is None:
            continue
        state = yield from _codes(link)
        tries = 0
        while tries < RISES and _is_below(state, before):
            yield from train(link, ByRetrain())
            state = yield from _codes(link)
            tries += 1
        if _is_below(state, before):
            left.append(_not_back(before, state))
    return tuple(left)


def states_now(scope: Scope, links: Sequence[LinkBefore]) -> Protocol[dict[str, LinkState]]:
    """What links run at, by their port."""
    found = {}
    for before in links:
        link = LinkAt.before(before, scope)
        if link is not None:
            found[before.port] = yield from state_of(link)
    return found


Codes = tuple[int | None, int | None]


def _codes(link: LinkAt) -> Protocol[Codes]:
    """Speed code and width as the port's Link Status has them, None where nothing answers at either end."""
    status = yield from answering(link.status.address, link.status.offset, link.status.size)
    identity = yield from read(link.identity.address, link.identity.offset, link.identity.size)
    if status is None or identity is None or state_in(status) == LinkState():
        return None, None
    return LinkStatus.current_link_speed.raw(status), LinkStatus.negotiated_link_width.raw(status)


def _is_below(now: Codes, before: LinkBefore) -> bool:
    was = (before.speed, before.width)
    return any(then is not None and (here is None or here < then) for here, then in zip(now, was, strict=True))


def _not_back(before: LinkBefore, now: Codes) -> Leftover:
    was = LinkState(SPEED_GTS.get(before.speed or 0), before.width)
    state = LinkState(SPEED_GTS.get(now[0] or 0), now[1])
    return Leftover(
        what=f"link below {before.port}",
        where="Link Status",
        value=str(was),
        found=None if now == (None, None) else str(state),
        why=f"{RISES} retrains did not bring it back",
        address=before.port,
        writable=False,
    )
