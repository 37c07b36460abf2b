"""The soak itself: loads at work, a sample each interval, until a rule ends it. Everything goes to the journal."""

from collections.abc import Callable
from contextlib import closing

from probe.audit.snapshot import Snapshot
from probe.loads.placement import placement
from probe.observe.clock import Clock
from probe.observe.events import CountedErrors
from probe.soak.crew import Crew
from probe.soak.ending import Ending, Interruption, Moment, ending, interruption
from probe.soak.journal import End, Entry, Journal, Start
from probe.soak.progress import Progress
from probe.soak.sampling import Sampling
from probe.soak.settling import Settling
from probe.soak.setup import Setup


class Soak:
    """One run, by a clock that is given to it."""

    def __init__(self, setup: Setup, clock: Clock, journal: Journal, show: Callable[[Progress], None]) -> None:
        self._setup = setup
        self._clock = clock
        self._journal = journal
        self._show = show
        self._progress = Progress(setup.links, setup.planned_s)
        self._begun = 0.0

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
                self._journal.append(_start(self._setup, self._begun))
                crew.start()
                end = self._until_the_end(sampling, crew, asked)
            finally:  # a journal that cannot be written (a full disk) must not leave a load behind
                ended = crew.stop()
            witnessed = sampling.witnessed(self.elapsed())
            self._journal.append(*crew.reported(), *ended, *witnessed)
            self._journal.append(
                End(t=self.elapsed(), why=end.why, complete=end.complete, cause=end.cause, snapshot=after())
            )

    def _until_the_end(self, sampling: Sampling, crew: Crew, asked: Interruption) -> Ending:
        settling = Settling(self._setup)
        counted: list[CountedErrors] = []
        due = self._clock.now()
        while True:
            taken = sampling.take(self.elapsed())
            baseline = settling.take(taken.sample)
            recorded: list[Entry] = [*taken.happened, *([baseline] if baseline else []), *crew.reported(), taken.sample]
            self._journal.append(*recorded)
            self._progress.take(recorded)
            self._show(self._progress)
            counted += [entry for entry in taken.happened if isinstance(entry, CountedErrors)]
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


def _start(setup: Setup, begun: float) -> Start:
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
    )
