"""What has to be known of a whole run before a single sample of it can be read. Pure."""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from typing import Self

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.snapshot import judged_links
from probe.loads.results import Pass
from probe.soak.journal import Baseline, Damaged, End, Entry, Gap, Sample, Start, Thinned, moment
from probe.soak.under_load import LoadEvidence


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """How it began and ended, from when errors count, what of it nobody saw, which links there are and when loaded."""

    start: Start
    end: End | None
    baseline_s: float
    elapsed_s: float
    gaps: Sequence[Gap]
    damaged_lines: int
    all_links: Sequence[LinkDocument]
    watched: Mapping[str, LinkDocument]
    evidence: LoadEvidence

    @classmethod
    def of(cls, recorded: Iterable[Entry]) -> Self:
        """Of all that was recorded, which begins with its start. Raises TypeError."""
        start: Start | None = None
        end: End | None = None
        baseline_s: float | None = None
        elapsed_s, damaged = 0.0, 0
        gaps: list[Gap] = []
        passes: list[Pass] = []
        for entry in recorded:
            elapsed_s = max(elapsed_s, moment(entry))
            match entry:
                case Start():
                    start = start or entry
                case End():
                    end = end or entry
                case Baseline():
                    baseline_s = entry.t if baseline_s is None else baseline_s
                case Gap():
                    gaps.append(entry)
                case Damaged():
                    damaged += 1
                case Pass():
                    passes.append(entry)
                case _:
                    pass
        if start is None:
            raise TypeError("a journal begins with its start")
        links = judged_links(start.snapshot)
        watched = {link.place_id: link for link in links if link.place_id in start.place_ids}
        return cls(
            start=start, end=end, baseline_s=baseline_s or 0.0, elapsed_s=elapsed_s, gaps=gaps, damaged_lines=damaged,
            all_links=links, watched=watched, evidence=LoadEvidence(start, watched, passes),
        )  # fmt: skip


class Times:
    """For how long each sample stands: since the one before, without the time in which nobody looked."""

    def __init__(self, gaps: Iterable[Gap]) -> None:
        self._gaps = sorted((gap.since, gap.t) for gap in gaps)
        self._last: float | None = None

    def take(self, entry: Sample | Thinned) -> float:
        """The seconds that this sample stands for; the next counts from it on."""
        begin, self._last = self._last, moment(entry)
        if begin is None:
            begin = entry.t
        return max(self._last - begin - self._lost(begin, self._last), 0.0)

    def _lost(self, begin: float, end: float) -> float:
        lost = 0.0
        for since, until in self._gaps[max(bisect_left(self._gaps, (begin, begin)) - 1, 0) :]:
            if since >= end:
                break
            lost += max(min(until, end) - max(since, begin), 0.0)
        return lost
