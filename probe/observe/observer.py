"""One link read once a call, with what happened to it since the call before. May not: judging, drawing."""

from collections.abc import Iterable, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.evidence import Evidence
from probe.observe.events import Observed
from probe.observe.sampler import LinkSampler, Reading, counters_of
from probe.observe.tracking import LinkTrack


class Observation(msgspec.Struct, frozen=True):
    """A reading, and what happened since the one before."""

    reading: Reading
    happened: tuple[Observed, ...]


class LinkObserver:
    """A link and what is known of it so far, from the snapshot on."""

    def __init__(self, sys: str, link: LinkDocument, evidence: Evidence) -> None:
        self.place_id = link.place_id
        self._sampler = LinkSampler(sys, link, evidence)
        self._track = LinkTrack(link.place_id, counters_of(link))

    def observe(self, t: float) -> Observation:
        """The link now, `t` seconds after the start."""
        reading = self._sampler.read()
        return Observation(reading, tuple(self._track.take(t, reading, self._sampler.counters())))

    def close(self) -> None:
        """Let the files go."""
        self._sampler.close()


def observers(sys: str, links: Iterable[LinkDocument], evidence: Evidence) -> Sequence[LinkObserver]:
    """An observer of each link; `sys` is the path of the /sys that the evidence was read from."""
    return tuple(LinkObserver(sys, link, evidence) for link in links)
