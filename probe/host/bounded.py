"""Reading a machine in a child of its own, bounded in time: a read that hangs on a dead device hangs there.

Such a read cannot be interrupted, only abandoned: the child that hangs is left, another goes on with the rest, and what
did not answer is one entry of what is unread.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import msgspec

from probe.evidence import Evidence, FunctionEvidence, Host, Unread, Why
from probe.host.child import LEAST_PATIENCE_S, PATIENCE_S, Child, Tell
from probe.host.files import DEVICES
from probe.host.function import FunctionReader
from probe.host.machine import read_machine
from probe.host.owner import read_host, unknown_host
from probe.host.sleep import Sleep
from probe.host.source import LEFT_ALONE, DirectorySource, Source
from probe.host.surroundings import HOST_PART, PARTS, Surroundings, together

_DECODER = msgspec.msgpack.Decoder(FunctionEvidence)
_AROUND = msgspec.msgpack.Decoder(Surroundings)
_FILES_THAT_HANG = 64  # of one part; each is waited for less than the one before
_Reading = Callable[[str, Sleep], bytes]


def read_bounded(
    source: Source, *, wake: bool = False, patience_s: float = PATIENCE_S, within_s: float | None = None
) -> Evidence:
    """The evidence of a source, with what did not answer among what is unread.

    `patience_s` is for each function, `within_s` for all: what is not reached by then is unread too. Raises
    LinkprobeError as reading does.
    """
    if not isinstance(source, DirectorySource):
        return read_machine(source, wake=wake)
    patience = _Patience(patience_s, None if within_s is None else time.monotonic() + within_s)
    return read_machine(
        source,
        wake=wake,
        functions=partial(_functions, source, patience, wake=wake),
        around=lambda: _around(source, _Patience(patience.seconds)),
    )


def read_functions(source: DirectorySource, addresses: Sequence[str], *, wake: bool = False) -> list[FunctionEvidence]:
    """The evidence of some functions, read in the same way."""
    return list(_functions(source, _Patience(PATIENCE_S), addresses, wake=wake))


def read_host_bounded(source: Source) -> Host:
    """Who the machine is; of what does not answer nothing is known."""
    if not isinstance(source, DirectorySource):
        return read_host(source)
    return together(_around(source, _Patience(PATIENCE_S), (HOST_PART,))).host or unknown_host(source)


def hung(evidence: Evidence) -> tuple[str, ...]:
    """The functions of which a read did not end."""
    return tuple(item.address for item in evidence.functions if any(part.why is Why.HUNG for part in item.unread))


def _functions(
    source: DirectorySource, patience: "_Patience", addresses: Sequence[str], *, wake: bool
) -> Iterator[FunctionEvidence]:
    def read(address: str, sleep: Sleep) -> bytes:
        return msgspec.msgpack.encode(FunctionReader(source, address, sleep, wake=wake).read())

    for address, found in _each(source, addresses, read, patience, passed_over=1):
        if isinstance(found, bytes):
            yield _DECODER.decode(found)
        else:
            yield _unreached(source, address) if found is None else _given_up(source, address, found)


def _around(
    source: DirectorySource, patience: "_Patience", places: Sequence[str] = tuple(PARTS)
) -> Iterator[Surroundings]:
    """The parts that are beside the functions. Every file that did not answer is an entry of what is unread."""

    def read(place: str, _: Sleep) -> bytes:
        return msgspec.msgpack.encode(PARTS[place](source))

    said: set[str] = set()
    for place, found in _each(source, places, read, patience, passed_over=_FILES_THAT_HANG):
        if isinstance(found, bytes):
            part = _AROUND.decode(found)
            said |= {item.path for item in part.unread}
            yield part
        else:
            yield Surroundings(unread=(Unread(place, Why.HUNG, f"no answer within {found or 0:g} s"),))
    silent = [path for path in patience.silent if path not in said]
    yield Surroundings(unread=tuple(Unread(path, Why.HUNG, LEFT_ALONE) for path in silent))


class _Patience:
    """How long to wait for each thing: `seconds`, halved by each that does not answer, and not past `until`."""

    def __init__(self, seconds: float, until: float | None = None) -> None:
        self.seconds = seconds
        self._until = until
        self.silent: list[str] = []

    @property
    def left(self) -> float:
        """How long to wait for the next."""
        return self.seconds if self._until is None else min(self.seconds, max(self._until - time.monotonic(), 0.0))

    @property
    def over(self) -> bool:
        """Whether the time for all is over."""
        return self._until is not None and time.monotonic() >= self._until

    def lose(self) -> None:
        """Wait less for those after one that did not answer."""
        self.seconds = max(self.seconds / 2, LEAST_PATIENCE_S)


def _each(
    source: DirectorySource, keys: Sequence[str], read: _Reading, patience: _Patience, *, passed_over: int
) -> Iterator[tuple[str, bytes | float | None]]:
    """What is read by each key: its bytes, or for how long it gave no answer, or None where the time was over before.

    Of a key as many files are passed over, each where it hangs, before the key itself is given up.
    """
    left = list(keys)
    tries = 0
    while left:
        at, wait = None, 0.0
        with Child(partial(_read_all, source, tuple(left), read)) as child:
            while left:
                wait = patience.left
                found = child.next(wait)
                if found is None:
                    at = child.reading()
                    break
                yield left.pop(0), found
                tries = 0
        if not left:
            return
        if patience.over:
            if wait >= LEAST_PATIENCE_S:
                yield left.pop(0), wait
            yield from ((key, None) for key in left)
            return
        if at is None or tries == passed_over:
            yield left.pop(0), patience.seconds
            tries = 0
        else:
            tries += 1
            patience.silent.append(source.pass_over(at))
        patience.lose()


def _given_up(source: DirectorySource, address: str, patience_s: float) -> FunctionEvidence:
    return _unread(source, address, Why.HUNG, f"no answer within {patience_s:g} s")


def _unreached(source: DirectorySource, address: str) -> FunctionEvidence:
    return _unread(source, address, Why.FAILED, "the time for reading was over")


def _unread(source: DirectorySource, address: str, why: Why, detail: str) -> FunctionEvidence:
    listed = f"{DEVICES}/{address}"
    target = source.target(listed)
    path = listed if isinstance(target, Unread) else target
    return FunctionEvidence(address=address, path=path[4:], unread=(Unread(path, why, detail),))


def _read_all(source: Source, keys: Sequence[str], read: _Reading, tell: Tell, _: Iterator[None]) -> None:
    sleep = Sleep(source)
    for key in keys:
        tell(read(key, sleep))
