"""The soak itself: loads at work, a sample each interval, until a rule ends it. Everything goes to the journal."""

from collections.abc import Callable, Iterable
from contextlib import closing

import msgspec

from probe.audit.snapshot import Snapshot
from probe.exceptions import LinkprobeError
from probe.loads.placement import placement
from probe.observe.clock import Clock
from probe.observe.events import CountedErrors, LinkEvent, Observed
from probe.soak.crew import Crew
from probe.soak.ending import Ending, Interruption, Moment, ending, interruption
from probe.soak.gaps import Gaps
from probe.soak.journal import Cause, End, Entry, Gap, Start
from probe.soak.progress import Progress
from probe.soak.sampling import Sampling
from probe.soak.settling import Settling
from probe.soak.setup import Setup
from probe.soak.writing import CannotRecord, Journal


class Soak:
    """One run, by a clock that is given to it."""

    def __init__(self, setup: Setup, clock: Clock, journal: Journal, show: Callable[[Progress], None]) -> None:
        self._setup = setup
        self._clock = clock
        self._journal = journal
        self._show = show
        self._progress = Progress(setup.links, setup.planned_s)
        self._begun = 0.0
        self._somebody_looks = True

    def elapsed(self) -> float:
        """Seconds since the start."""
        return self._clock.now() - self._begun

    def run(self, after: Callable[[], Snapshot | None]) -> None:
        """Run to the end; `after` takes the snapshot after. The journal is whole whatever ends it."""
        with interruption(self._clock) as asked, closing(Sampling(self._setup)) as sampling:
            crew = Crew(self._setup, self.elapsed)
            try:
                crew.prepare(lambda: asked.signal is not None)
                self._begun = self._clock.now()
                self._journal.append(start_of(self._setup, self._begun))
                crew.start()
                end = self._until_the_end(sampling, crew, asked)
                ended = crew.stop()
                witnessed = sampling.witnessed(self.elapsed())
                self._journal.append(*crew.reported(), *ended, *witnessed)
                self._journal.append(self._end(end, _whole(after)))
            except CannotRecord as error:  # a full disk has room for the end, and the record says why
                why = f"the record could not be written any more: {error.what}"
                self._journal.append_last(self._end(Ending(Cause.RECORD, why), None))
            finally:  # whatever happens leaves no load behind
                crew.stop()

    def _end(self, end: Ending, snapshot: Snapshot | None) -> End:
        return End(t=self.elapsed(), why=end.why, complete=end.complete, cause=end.cause, snapshot=snapshot)

    def _tell(self) -> None:
        """Show the progress, for as long as somebody looks: a terminal that was closed ends no soak."""
        if self._somebody_looks:
            try:
                self._show(self._progress)
            except OSError:
                self._somebody_looks = False

    def _until_the_end(self, sampling: Sampling, crew: Crew, asked: Interruption) -> Ending:
        settling, gaps = Settling(self._setup), Gaps(self._clock, self._setup.interval_s)
        counted: list[CountedErrors] = []
        due = self._clock.now()
        while True:
            passed = tuple(gaps.take(self.elapsed()))
            taken = sampling.take(self.elapsed())
            happened = [*passed, *(_since(passed, entry) for entry in taken.happened)]
            baseline = settling.take(taken.sample)
            recorded: list[Entry] = [*happened, *([baseline] if baseline else []), *crew.reported(), taken.sample]
            self._journal.append(*recorded)
            self._progress.take(recorded)
            self._tell()
            counted += [entry for entry in happened if isinstance(entry, CountedErrors)]
            counted = [entry for entry in counted if entry.t >= taken.sample.t - self._setup.correctable.seconds]
            end = ending(
                Moment(
                    setup=self._setup, sample=taken.sample, recorded=recorded, counted=counted,
                    baseline_t=settling.over_t, ended=crew.ended, interrupted=asked.signal,
                )
            )  # fmt: skip
            if end is not None:
                return end
            due = max(due + self._setup.interval_s, self._clock.now())
            self._clock.wait(due - self._clock.now())


def _since(passed: Iterable[Gap | LinkEvent], entry: Observed) -> Observed:
    """Errors that were counted after a gap came at some moment of it."""
    gap = next((item for item in passed if isinstance(item, Gap)), None)
    if gap is None or not isinstance(entry, CountedErrors):
        return entry
    return msgspec.structs.replace(entry, since=gap.since)


def _whole(after: Callable[[], Snapshot | None]) -> Snapshot | None:
    """The snapshot after, None where none can be taken: a machine may have lost all of its links."""
    try:
        return after()
    except LinkprobeError:
        return None


def start_of(setup: Setup, begun: float) -> Start:
    """How it begins, at this moment of the clock."""
    names = [f"{load.name}:{target.label}" for load, target in setup.loads]
    if setup.command:
        names.append(f"-- {' '.join(setup.command)}")
    return Start(
        snapshot=setup.snapshot,
        place_ids=tuple(link.place_id for link in setup.links),
        loads=tuple(names),
        interval_s=setup.interval_s,
        planned_s=setup.planned_s or 0.0,
        correctable_limit=str(setup.correctable),
        boot_clock_s=begun,
        notes=tuple(text for _, target in setup.loads for text in (placement(target), target.note) if text),
        stops=setup.stops.names,
        covers=setup.covers,
        asked=setup.asked,
        rate_bytes_s=setup.options.rate_bytes_s,
        accepts=setup.accepts,
        at_least=setup.at_least,
    )
