"""Several protocols run as one: whenever one waits, another goes on.

A pool of `at_once`: when one ends, the next begins. What one raises ends all of them and comes out.
"""

from collections import deque
from collections.abc import Iterable

import msgspec

from probe.active.asking import now
from probe.active.steps import Answer, CannotWrite, Protocol, Step, Wait


class _Running(msgspec.Struct):
    """A protocol under way, and when it wants to go on."""

    protocol: Protocol[None]
    wake: float
    begun: bool = False


def together(protocols: Iterable[Protocol[None]], at_once: int) -> Protocol[None]:
    """Run all protocols, at most `at_once` at a time, in their order."""
    waiting = deque(protocols)
    running: list[_Running] = []
    try:
        while waiting or running:
            time = yield from now()
            while waiting and len(running) < at_once:
                running.append(_Running(waiting.popleft(), time))
            following = min(running, key=lambda one: one.wake)
            if following.wake > time:
                yield Wait(following.wake - time)
            if (yield from _advance(following)):
                running.remove(following)
    finally:
        for one in (*running, *(_Running(protocol, 0.0) for protocol in waiting)):
            one.protocol.close()


def _advance(one: _Running) -> Protocol[bool]:
    """Run a protocol up to its next wait; True where it ended."""
    answer: Answer = None
    refused: CannotWrite | None = None
    while True:
        step = _next(one, answer, refused)
        if step is None:
            return True
        if isinstance(step, Wait):
            one.wake = (yield from now()) + step.seconds
            return False
        answer, refused = None, None
        try:
            answer = yield step
        except CannotWrite as error:
            refused = error


def _next(one: _Running, answer: Answer, refused: CannotWrite | None) -> Step | None:
    try:
        if refused is not None:
            return one.protocol.throw(refused)
        one.begun, first = True, not one.begun
        return next(one.protocol) if first else one.protocol.send(answer)
    except StopIteration:
        return None
