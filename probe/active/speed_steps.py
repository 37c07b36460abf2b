"""Asking a link for one speed, and bringing links back to what they were. Protocols: no file, no clock.

Through the kernel's cooling device where the port has one, since the kernel then holds its own lock and waits itself;
else by Target Link Speed of the port and a retrain.
"""

from collections.abc import Sequence

from probe.active.asking import answering, read, until, write
from probe.active.journal import Began, LinkBefore
from probe.active.link_at import LinkAt, is_set, is_there, state_of
from probe.active.permitted import Scope
from probe.active.restoring import Leftover
from probe.active.steps import CannotWrite, Protocol
from probe.active.training import TRAINING_S, Problem, Seen, Watch, aftermath, begun, train, while_written
from probe.active.ways import ByRetrain, ByTarget, SpeedMeans
from probe.links.function import FunctionFacts
from probe.links.state import LinkState
from probe.registers.bits import differing, merged
from probe.registers.link import LinkCapabilities, LinkCapabilities2, LinkControl, LinkControl2, LinkStatus
from probe.registers.values import SPEED_GTS

RISES = 3
"""Retrains that a rise in speed may need (seen in one vendor's kernel driver)."""
_TARGET = LinkControl2.target_link_speed
Codes = tuple[int | None, int | None]
"""A link's speed code and width as its port has them, None where it goes on training or an end does not answer."""


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
            watch = yield from begun(link)
            try:
                yield from while_written(link, means.path, str(means.most - code), watch)
            except CannotWrite as error:
                watch.fail(Problem.REFUSED, str(error))
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


def bring_back(began: Began) -> Protocol[tuple[Leftover, ...]]:
    """Retrain each link that is slower or narrower than it was, RISES times at most; what is still so is a Leftover.

    So is a link retrained once that is faster than it was and than its Target Link Speed, which is back, allows.
    """
    left = []
    for before in began.links:
        link = LinkAt.before(before, began.scope)
        if link is None:
            continue
        state = yield from _codes(link)
        if began.may_retrain:
            state = yield from _retrained(link, before, state)
        if _is_below(state, before):
            left.append((yield from _not_back(link, before, state, retrained=began.may_retrain)))
    return tuple(left)


def _retrained(link: LinkAt, before: LinkBefore, state: Codes) -> Protocol[Codes]:
    """The state after as many retrains as it takes, within bounds."""
    held = yield from _raised(link, before)
    tries = 0
    while tries < RISES and _is_below(state, before):
        yield from train(link, ByRetrain())
        state = yield from _codes(link)
        tries += 1
    yield from _set_back(link, held)
    target = yield from _target(link)
    above = before.speed is not None and target is not None and (state[0] or 0) > max(before.speed, target)
    if above:
        yield from train(link, ByRetrain())
        state = yield from _codes(link)
    return state


def _target(link: LinkAt) -> Protocol[int | None]:
    """The code of the port's Target Link Speed."""
    value = yield from link.port.read(LinkControl2)
    return None if value is None else _TARGET.raw(value)


def _raised(link: LinkAt, before: LinkBefore) -> Protocol[int | None]:
    """Let a link rise that ran faster than its Target Link Speed; the code to put back, None where it may rise."""
    target, state = (yield from _target(link)), (yield from _codes(link))
    if target is None or before.speed is None or target >= before.speed or not _is_below(state, before):
        return None
    refused = yield from _set_target(link, before.speed)
    return target if refused is None else None


def _set_back(link: LinkAt, code: int | None) -> Protocol[None]:
    if code is not None:
        yield from _set_target(link, code)


def settled(began: Began) -> Protocol[None]:
    """Wait for trainings that whoever was stopped has begun: what is written meanwhile may come too late for them."""
    for before in began.links:
        link = LinkAt.before(before, began.scope)
        if link is not None:
            yield from until(link.status, _is_settled, TRAINING_S, 0.001)


def states_now(scope: Scope, links: Sequence[LinkBefore]) -> Protocol[dict[str, LinkState]]:
    """What links run at, by their port; unknown where they go on training, or an end does not answer."""
    found = {}
    for before in links:
        link = LinkAt.before(before, scope)
        if link is not None:
            known = (yield from _codes(link)) != (None, None)
            found[before.port] = (yield from state_of(link)) if known else LinkState()
    return found


def _codes(link: LinkAt) -> Protocol[Codes]:
    """Speed code and width once the link has settled. What a port says of a link with nothing on it means nothing."""
    settled = yield from until(link.status, _is_settled, TRAINING_S, 0.001)
    if not settled.met or settled.value is None or not (yield from _answers(link)):
        return None, None
    return LinkStatus.current_link_speed.raw(settled.value), LinkStatus.negotiated_link_width.raw(settled.value)


def _is_settled(status: int) -> bool:
    return not is_set(LinkStatus.link_training, status)


def _answers(link: LinkAt) -> Protocol[bool]:
    """The component answers."""
    identity = yield from read(link.identity.address, link.identity.offset, link.identity.size)
    return identity is not None and is_there(identity)


def _is_below(now: Codes, before: LinkBefore) -> bool:
    was = (before.speed, before.width)
    return any(then is not None and (here is None or here < then) for here, then in zip(now, was, strict=True))


def _not_back(link: LinkAt, before: LinkBefore, now: Codes, *, retrained: bool) -> Protocol[Leftover]:
    was = LinkState(SPEED_GTS.get(before.speed or 0), before.width)
    state = LinkState(SPEED_GTS.get(now[0] or 0), now[1])
    offset = link.port.express + LinkControl.offset
    control = yield from answering(before.port, offset, 1)
    why = f"{RISES} retrains did not bring it back" if retrained else "it was not retrained: link-loss was not accepted"
    found = str(state)
    if now == (None, None):
        answers = yield from _answers(link)
        found = "training without an end" if answers else f"down ({before.component} does not answer)"
    if control is not None:
        value = merged(control, LinkControl.retrain_link.mask, LinkControl.retrain_link.mask)
        why += f" (a retrain is {value:02x}h written to the byte at {offset:03x}h of {before.port})"
    return Leftover(
        what=f"link below {before.port}",
        where="Link Status",
        value=str(was),
        found=found,
        why=why,
        address=before.port,
        writable=False,
    )
