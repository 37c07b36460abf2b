"""A component that came, moved or took another's place, judged as it is now: it has no past here to compare with."""

from collections.abc import Iterator

import msgspec

from probe.audit.verdict_headline import headline
from probe.compare.comparable import Place
from probe.compare.quantities import ANSWERS, QuantityChanged
from probe.compare.rank import Rank
from probe.links.kind_of_link import KindOfLink
from probe.links.state import LinkState
from probe.verdict.verdicts import Verdict


class BelowCapability(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="below capability"):
    """A component in a new place runs below what both ends can do there."""

    place: str
    verdict: Verdict
    negotiated: LinkState
    possible: LinkState
    why: str

    kind = "below capability"
    rank = Rank.WORSE
    urgent = False

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"the component that is here now is {self.verdict}: {self.why}"

    @property
    def evidence(self) -> str:
        """The state it runs at."""
        return f"runs at {self.negotiated}; both ends can do {self.possible}"


def judged_anew(place: Place) -> Iterator[BelowCapability | QuantityChanged]:
    """What is to be said of a component that is new in this place."""
    link = place.link
    if link.silent:
        yield QuantityChanged(place=place.title, name=ANSWERS, before=True, after=False, rank=Rank.WORSE)
    elif link.kind is KindOfLink.SLOT and link.verdict.below_capability:
        yield BelowCapability(
            place=place.title, verdict=link.verdict, negotiated=link.negotiated, possible=link.possible,
            why=headline(link),
        )  # fmt: skip
