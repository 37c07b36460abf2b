"""Reading functions in a child of its own, bounded in time: a read that hangs on a dead device hangs there.

Such a read cannot be interrupted, only abandoned: the child that hangs is left, another goes on with the rest, and what
did not answer is one entry of what is unread.
"""

import time
from collections.abc import Iterator, Sequence
from functools import partial

import msgspec

from probe.evidence import Evidence, FunctionEvidence, Unread, Why
from probe.host.child import LEAST_PATIENCE_S, PATIENCE_S, Child, Tell
from probe.host.files import DEVICES
from probe.host.function import FunctionReader
from probe.host.machine import read_machine
from probe.host.sleep import Sleep
from probe.host.source import DirectorySource, Source

_DECODER = msgspec.msgpack.Decoder(FunctionEvidence)


def read_bounded(
    source: Source, *, wake: bool = False, patience_s: float = PATIENCE_S, within_s: float | None = None
) -> Evidence:
    """The evidence of a source, with what did not answer among what is unread.

    `patience_s` is for each function, `within_s` for all: what is not reached by then is unread too. Raises
    LinkprobeError as reading does.
    """
    if not isinstance(source, DirectorySource):
        return read_machine(source, wake=wake)
    until = None if within_s is None else time.monotonic() + within_s
    return read_machine(source, wake=wake, functions=partial(_functions, source, patience_s, until, wake=wake))


def read_functions(source: DirectorySource, addresses: Sequence[str], *, wake: bool = False) -> list[FunctionEvidence]:
    """The evidence of some functions, read in the same way."""
    return list(_functions(source, PATIENCE_S, None, addresses, wake=wake))


def hung(evidence: Evidence) -> tuple[str, ...]:
    """The functions of which a read did not end."""
    return tuple(item.address for item in evidence.functions if any(part.why is Why.HUNG for part in item.unread))


def _functions(
    source: DirectorySource, patience_s: float, until: float | None, addresses: Sequence[str], *, wake: bool
) -> Iterator[FunctionEvidence]:
    left = list(addresses)
    tried: str | None = None
    at: str | None = None
    wait = 0.0
    while left:
        with Child(partial(_read_all, source, tuple(left), wake=wake)) as child:
            while left:
                wait = patience_s if until is None else min(patience_s, max(until - time.monotonic(), 0.0))
                found = child.next(wait)
                if found is None:
                    at = child.reading()
                    break
                yield _DECODER.decode(found)
                left.pop(0)
        if not left:
            return
        if until is not None and time.monotonic() >= until:
            if wait >= LEAST_PATIENCE_S:
                yield _given_up(source, left.pop(0), wait)
            yield from (_unreached(source, address) for address in left)
            return
        if at is None or tried == left[0]:
            yield _given_up(source, left.pop(0), patience_s)
        else:
            tried = left[0]
            source.pass_over(at)
        patience_s = max(patience_s / 2, LEAST_PATIENCE_S)


def _given_up(source: DirectorySource, address: str, patience_s: float) -> FunctionEvidence:
    return _unread(source, address, Why.HUNG, f"no answer within {patience_s:g} s")


def _unreached(source: DirectorySource, address: str) -> FunctionEvidence:
    return _unread(source, address, Why.FAILED, "the time for reading was over")


def _unread(source: DirectorySource, address: str, why: Why, detail: str) -> FunctionEvidence:
    listed = f"{DEVICES}/{address}"
    target = source.target(listed)
    path = listed if isinstance(target, Unread) else target
    return FunctionEvidence(address=address, path=path[4:], unread=(Unread(path, why, detail),))


def _read_all(source: Source, addresses: Sequence[str], tell: Tell, _: Iterator[None], *, wake: bool) -> None:
    sleep = Sleep(source)
    for address in addresses:
        tell(msgspec.msgpack.encode(FunctionReader(source, address, sleep, wake=wake).read()))
