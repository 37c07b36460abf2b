"""Links read again and again, with what happened to each since it was last read. May not: judging, drawing.

A child reads them, all in one go, so that a device that does not answer holds up nobody: it is left, and another child
goes on with the others.
"""

import resource
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial

import msgspec

from probe.audit.document import LinkDocument
from probe.errors.counts import CounterKey
from probe.evidence import Evidence, Why
from probe.host.child import LEAST_PATIENCE_S, PATIENCE_S, Child, Tell
from probe.observe.events import Observed
from probe.observe.sampler import LinkSampler, Reading, counters_of
from probe.observe.tracking import LinkTrack

_SILENT = Reading(None, None, managed=False, lanes=frozenset(), power_state=None, temperature_c=None, present=True,
                  unread=Why.HUNG, counted=False)  # fmt: skip


class Observation(msgspec.Struct, frozen=True):
    """A reading, and what happened since the one before."""

    reading: Reading
    happened: tuple[Observed, ...]


class _Answer(msgspec.Struct, array_like=True):
    """What a child read of one link; `counts` is None where none changed."""

    reading: Reading
    counts: list[tuple[CounterKey, int]] | None


_DECODER = msgspec.msgpack.Decoder(_Answer)


class _Answers:
    """The answers of all links. Whoever takes one a second time has all of them read anew."""

    def __init__(self, sampler_of: Callable[[int], LinkSampler], count: int, patience_s: float) -> None:
        self._sampler_of = sampler_of
        self._patience_s = patience_s
        self._asked = list(range(count))
        self._child: Child | None = None
        self._fresh: dict[int, _Answer] = {}

    def take(self, number: int) -> _Answer:
        """What was read of a link."""
        if number not in self._fresh:
            self._fresh = self._all()
        return self._fresh.pop(number, _Answer(_SILENT, None))

    def _all(self) -> dict[int, _Answer]:
        """All that answer. Where one falls silent the others are read anew, by a child that tells all counts."""
        found: dict[int, _Answer] = {}
        while self._asked:
            child = self._child = self._child or Child(partial(_read_again_and_again, self._sampler_of, self._asked))
            child.ask()
            for number in self._asked:
                answer = child.next(self._patience_s)
                if answer is None:
                    break
                found[number] = _DECODER.decode(answer)
            else:
                return found
            self._asked.remove(number)
            self._patience_s = max(self._patience_s / 2, LEAST_PATIENCE_S)
            self.close()
        return found

    def close(self) -> None:
        """Let the child go."""
        if self._child is not None:
            self._child.leave()
            self._child = None


def _read_again_and_again(
    sampler_of: Callable[[int], LinkSampler], asked: Sequence[int], tell: Tell, again: Iterator[None]
) -> None:
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))  # ten files a link stay open
    samplers = [sampler_of(number) for number in asked]
    for _ in again:
        for sampler in samplers:
            present = sampler.look()
            counts = sampler.counters()
            pairs = None if counts is None else list(counts.items())
            tell(msgspec.msgpack.encode(_Answer(sampler.read(present=present), pairs)))


class LinkObserver:
    """A link and what is known of it so far, from the snapshot on."""

    def __init__(self, link: LinkDocument, number: int, answers: _Answers) -> None:
        self.place_id = link.place_id
        self._number = number
        self._answers = answers
        self._track = LinkTrack(link.place_id, counters_of(link))

    def observe(self, t: float) -> Observation:
        """The link now, `t` seconds after the start."""
        answer = self._answers.take(self._number)
        counts = None if answer.counts is None else dict(answer.counts)
        return Observation(answer.reading, tuple(self._track.take(t, answer.reading, counts)))

    def close(self) -> None:
        """Let the reading of all links end."""
        self._answers.close()


def observers(
    sys: str, links: Iterable[LinkDocument], evidence: Evidence, patience_s: float = PATIENCE_S
) -> Sequence[LinkObserver]:
    """An observer of each link, in the order in which they are to be asked.

    `sys` is the path of the /sys that the evidence was read from, `patience_s` how long a link may take.
    """
    listed = tuple(links)
    answers = _Answers(lambda number: LinkSampler(sys, listed[number], evidence), len(listed), patience_s)
    return tuple(LinkObserver(link, number, answers) for number, link in enumerate(listed))
