"""How each link of a run stands at the moment, in one word, from what happened to it and what was read last. Pure."""

from enum import StrEnum

from probe.audit.document import LinkDocument
from probe.links.state import LinkState
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind, Observed
from probe.registers.errors import Severity
from probe.verdict.verdicts import Verdict


class Standing(StrEnum):
    """The words, worst first."""

    GONE = "gone"
    DOWN = "down"
    NO_ANSWER = "no answer"
    UNCORRECTABLE = "uncorrectable"
    BELOW_BEST = "below best"
    TROUBLED = "had trouble"
    ERRORS = "errors"
    NOT_READ = "not read"
    RESTING = Verdict.RESTING.value
    CALM = "calm"

    @property
    def rank(self) -> int:
        """Its place among the words, the worst first, from 0."""
        return _WORST_FIRST.index(self)

    @property
    def is_calm(self) -> bool:
        """Nothing to look at."""
        return self in {Standing.RESTING, Standing.CALM}


_WORST_FIRST = tuple(Standing)


class LinkStanding:
    """One link since the run began."""

    def __init__(self, link: LinkDocument) -> None:
        self.link = link
        self.state = LinkState()
        self.temperature_c: float | None = None
        self.correctable = 0
        self.uncorrectable = 0
        self._gone = self._down = self._unanswered = self._troubled = False
        self._may_rest = link.verdict is Verdict.RESTING or link.doubtful

    def take(self, entry: Observed) -> None:
        """Take in what happened to it."""
        if isinstance(entry, CountedErrors):
            if entry.severity is Severity.CORRECTABLE:
                self.correctable += entry.count
            else:
                self.uncorrectable += entry.count
            return
        self._happened(entry)

    def _happened(self, event: LinkEvent) -> None:
        self._troubled = self._troubled or event.bad
        if event.kind in {LinkEventKind.GONE, LinkEventKind.BACK}:
            self._gone = event.kind is LinkEventKind.GONE
        if event.kind in {LinkEventKind.LINK_DOWN, LinkEventKind.LINK_UP}:
            self._down = event.kind is LinkEventKind.LINK_DOWN
        self._unanswered = self._unanswered or event.kind is LinkEventKind.UNANSWERED

    def now(self, *, loaded: bool = False) -> Standing:
        """The worst word that is true of it. Slower than its best is rest where it rested before and has no load."""
        slower, narrower = self._below()
        rests = slower and not narrower and self._may_rest and not loaded
        words = {
            Standing.GONE: self._gone,
            Standing.DOWN: self._down,
            Standing.NO_ANSWER: self._unanswered,
            Standing.UNCORRECTABLE: self.uncorrectable > 0,
            Standing.BELOW_BEST: (slower or narrower) and not rests,
            Standing.TROUBLED: self._troubled,
            Standing.ERRORS: self.correctable > 0,
            Standing.NOT_READ: None in {self.state.speed_gts, self.state.width},
            Standing.RESTING: rests,
        }
        return next((word for word in _WORST_FIRST if words.get(word)), Standing.CALM)

    def _below(self) -> tuple[bool, bool]:
        now, best = self.state, self.link.possible
        slower = None not in {now.speed_gts, best.speed_gts} and (now.speed_gts or 0) < (best.speed_gts or 0)
        narrower = None not in {now.width, best.width} and (now.width or 0) < (best.width or 0)
        return slower, narrower
