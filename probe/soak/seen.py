"""All that was recorded of a run, gathered in one walk over its entries; samples leave but their sums behind. Pure."""

from collections import defaultdict

from probe.audit.document import LinkDocument
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.soak.circumstances import Run, Times
from probe.soak.journal import (
    Damaged,
    Entry,
    Gap,
    LoadEnded,
    Passes,
    PhaseSums,
    Sample,
    Thinned,
)
from probe.soak.tally import LinkTally


class Seen:
    """What there is to judge by.

    `told` are the events of the whole run, those of the record itself among them; `moved` is the most bytes a second
    that loads moved over the link of a place.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.samples = 0
        self.tallies = {place_id: LinkTally() for place_id in run.watched}
        self.errors: dict[str, list[CountedErrors]] = defaultdict(list)
        self.events: dict[str, list[LinkEvent]] = defaultdict(list)
        self.told: list[LinkEvent] = []
        self.mismatches: list[Mismatch] = []
        self.ended: list[LoadEnded] = []
        self.measured: list[Pass | Passes] = []
        self.moved: dict[str, float] = {}
        self.sums: list[PhaseSums] = []
        self._times = Times(run.gaps)

    def take(self, entry: Entry) -> None:
        """Take in the next entry."""
        match entry:
            case Sample():
                self._sample(entry)
            case Thinned():
                self._thinned(entry)
            case CountedErrors():
                self.errors[entry.place_id].append(entry)
            case LinkEvent() | Gap() | Damaged():
                self._event(_told(entry))
            case Pass() | Passes():
                self._measured(entry)
            case PhaseSums():
                self.sums.append(entry)
            case Mismatch():
                self.mismatches.append(entry)
            case LoadEnded():
                self.ended.append(entry)
            case _:
                pass

    def _sample(self, entry: Sample) -> None:
        self.samples += 1
        seconds, counts = self._times.take(entry), entry.t > self.run.baseline_s
        for place_id, sample in entry.links.items():
            if place_id in self.tallies:
                load = self.run.evidence.at(entry.t, place_id, sample)
                self.tallies[place_id].sampled(sample, seconds, load, counts=counts)

    def _thinned(self, entry: Thinned) -> None:
        self.samples += entry.samples
        seconds = self._times.take(entry)
        for place_id, spreads in entry.links.items():
            if place_id in self.tallies:
                self.tallies[place_id].thinned(spreads, entry.states.get(place_id, ()), seconds)

    def _measured(self, entry: Pass | Passes) -> None:
        self.measured.append(entry)
        if isinstance(entry, Passes):
            places, most = entry.like.places, entry.rates.most
        else:
            places, most = entry.places, entry.bytes / entry.seconds if entry.seconds > 0 else 0.0
        for place_id in places:
            self.moved[place_id] = max(self.moved.get(place_id, 0.0), most)

    def _event(self, event: LinkEvent) -> None:
        self.told.append(event)
        self.events[event.place_id].append(event)

    @property
    def fine_passes(self) -> list[Pass]:
        """Those that are kept one by one."""
        return [item for item in self.measured if isinstance(item, Pass)]

    @property
    def kinds_of_passes(self) -> list[Pass]:
        """Every pass, of those that were kept as one the first."""
        return [item.like if isinstance(item, Passes) else item for item in self.measured]

    @property
    def driven(self) -> frozenset[str]:
        """The ids of the places over whose links loads moved data."""
        return frozenset(self.moved)

    def loaded(self, link: LinkDocument) -> bool | None:
        """Whether the link was under load at any time; None where nothing says how much went over it."""
        if link.place_id in self.run.start.covers:
            return True
        enough = self.run.evidence.enough[link.place_id]
        moved = (self.moved.get(link.place_id), self.tallies[link.place_id].moved)
        known = [most for most in moved if most is not None]
        return None if not known or enough is None else max(known) >= enough


def _told(entry: LinkEvent | Gap | Damaged) -> LinkEvent:
    """What happened to a link or to the record itself, as an event."""
    match entry:
        case LinkEvent():
            return entry
        case Gap(t=t, since=since, why=why):
            sentence = f"no samples from {since:.0f} to {t:.0f} s: {why}"
        case Damaged(t=t, line=line):
            sentence = f"line {line} of the record cannot be read; what it held is not known"
    return LinkEvent(t=t, place_id="", kind=LinkEventKind.NOT_WATCHED, sentence=sentence)
