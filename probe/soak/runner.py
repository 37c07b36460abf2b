"""The soak itself: loads, a sample each interval, stop conditions, the end. Everything goes to the journal."""

import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.snapshot import Snapshot
from probe.errors.attribution import findings, is_link_error
from probe.errors.limits import Limit
from probe.exceptions import InputError
from probe.loads.interface import Context, Exerciser, Options, Target, placement
from probe.loads.results import Mismatch, Pass
from probe.observe.sampler import LinkSampler
from probe.observe.traffic import Moved, Traffic
from probe.soak.journal import Baseline, End, Entry, Errors, Event, Journal, LinkSample, LoadEnded, Sample, Start
from probe.soak.loads import CommandLoad, ExerciserLoad, Load
from probe.soak.tracking import LinkTrack

_SETTLE_S = 10.0
_STOPS = ("fatal", "link-down", "rate")


class Stops(msgspec.Struct, frozen=True, kw_only=True):
    """What ends a soak early."""

    fatal: bool = False
    link_down: bool = False
    rate: bool = False
    temperature_c: float | None = None

    @classmethod
    def parse(cls, words: Sequence[str]) -> "Stops":
        """Read `fatal`, `link-down`, `rate`, `temperature=85`. Raises InputError."""
        temperature = None
        for word in words:
            name, _, value = word.partition("=")
            if name == "temperature" and value.replace(".", "", 1).isdecimal():
                temperature = float(value)
            elif word not in _STOPS:
                known = ", ".join((*_STOPS, "temperature=85"))
                raise InputError("no such condition", where=f"--stop-on {word}", remedy=f"choose among {known}")
        return cls(
            fatal="fatal" in words, link_down="link-down" in words, rate="rate" in words, temperature_c=temperature
        )


class Progress(msgspec.Struct, kw_only=True):
    """What a person watches while it runs."""

    t: float = 0.0
    planned_s: float = 0.0
    links: dict[str, LinkSample] = {}
    errors: dict[str, int] = {}
    rates: dict[tuple[str, str, str], float] = {}
    latest: list[Event] = []


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """All that a soak is made of. `planned_s` is None where a command's end ends it."""

    sys: str
    snapshot: Snapshot
    links: tuple[LinkDocument, ...]
    exercisers: tuple[tuple[Exerciser, Target], ...] = ()
    command: tuple[str, ...] = ()
    options: Options = Options()
    planned_s: float | None = None
    interval_s: float = 1.0
    stops: Stops = Stops()
    correctable: Limit = Limit(6, 2.0)
    live: bool = True


class Soak:
    """One run."""

    def __init__(self, setup: Setup, journal: Journal, progress: Callable[[Progress], None]) -> None:
        self._setup = setup
        self._journal = journal
        self._show = progress
        self._begun = time.clock_gettime(time.CLOCK_BOOTTIME)
        self._stop = threading.Event()
        self._interrupted: str | None = None
        self._lock = threading.Lock()
        self._reported: list[Entry] = []
        self._samplers = [LinkSampler(setup.sys, link, setup.snapshot.evidence) for link in setup.links]
        self._tracks = {
            link.place_id: LinkTrack(link.place_id, (link.possible.speed_gts, link.possible.width))
            for link in setup.links
        }
        self._traffic = Traffic() if setup.live else None
        self._moved: Moved = {}
        self._moved_t = 0.0
        self._counted: list[Errors] = []
        self._baseline: float | None = None
        self._progress = Progress(planned_s=setup.planned_s or 0.0)

    def clock(self) -> float:
        """Seconds since the start, by the boot clock."""
        return time.clock_gettime(time.CLOCK_BOOTTIME) - self._begun

    def run(self, after: Callable[[], Snapshot | None]) -> None:
        """Run to the end; `after` takes the snapshot after. The journal is whole whatever ends it."""
        self._journal.append(self._start())
        loads = self._loads()
        with self._signals():
            for sampler in self._samplers:
                self._tracks[sampler.place].begin(sampler.counters() or {})
            replays = self._traffic.replays() if self._traffic is not None else {}
            ended: list[LoadEnded] = []
            try:
                for load in loads:
                    load.start()
                why, complete = self._sample_until_the_end(loads)
            finally:  # a journal that cannot be written (a full disk) must not leave a load behind
                self._stop.set()
                ended += [load.stop() for load in loads]
        self._journal.append(*self._taken(), *ended, *self._witnessed(replays))
        self._journal.append(End(t=self.clock(), why=why, complete=complete, snapshot=after()))
        for sampler in self._samplers:
            sampler.close()

    def _witnessed(self, before: dict[str, int]) -> Iterator[Event]:
        """What accelerators themselves counted as replayed since the start."""
        after = self._traffic.replays() if self._traffic is not None else {}
        for link in self._setup.links:
            for address in link.component.functions if link.component else ():
                if address in before and address in after:
                    grown = after[address] - before[address]
                    sentence = f"{grown} packets replayed, by the accelerator's own count (NVML)"
                    yield Event(t=self.clock(), place=link.place_id, kind="witness", sentence=sentence, bad=grown > 0)

    def _start(self) -> Start:
        setup = self._setup
        names = [f"{exerciser.name}:{target.label}" for exerciser, target in setup.exercisers]
        if setup.command:
            names.append(f"-- {' '.join(setup.command)}")
        stops = [name for name in ("fatal", "link_down", "rate") if getattr(setup.stops, name)]
        return Start(
            snapshot=setup.snapshot,
            places=tuple(link.place_id for link in setup.links),
            loads=tuple(names),
            interval_s=setup.interval_s,
            planned_s=setup.planned_s or 0.0,
            correctable_limit=str(setup.correctable),
            boot_clock_s=self._begun,
            notes=tuple(placement(target) for _, target in setup.exercisers),
            stops=tuple(stops),
        )

    def _loads(self) -> list[Load]:
        places = {
            address: link.place_id
            for link in self._setup.links
            for address in (link.component.functions if link.component else ())
        }
        loads: list[Load] = []
        for exerciser, target in self._setup.exercisers:
            place = places.get(target.address or "", "")
            context = Context(exerciser.name, place, self._setup.options, self._stop, self._report, self.clock)
            loads.append(ExerciserLoad(exerciser, target, context, self.clock))
        if self._setup.command:
            loads.append(CommandLoad(self._setup.command, self.clock))
        return loads

    def _report(self, entry: Pass | Mismatch) -> None:
        with self._lock:
            self._reported.append(entry)
            if isinstance(entry, Pass) and entry.seconds > 0:
                self._progress.rates[entry.place, entry.load, entry.direction] = entry.bytes / entry.seconds

    def _taken(self) -> list[Entry]:
        with self._lock:
            taken, self._reported = self._reported, []
        return taken

    def _sample_until_the_end(self, loads: list[Load]) -> tuple[str, bool]:
        due = time.monotonic()
        while True:
            self._sample(loads)
            why = self._ended(loads)
            if why is not None:
                return why
            due = max(due + self._setup.interval_s, time.monotonic())
            self._stop.wait(due - time.monotonic())
            if self._interrupted is not None:
                return self._interrupted, False

    def _ended(self, loads: list[Load]) -> tuple[str, bool] | None:
        planned = self._setup.planned_s
        if self._interrupted is not None:
            return self._interrupted, False
        early = self._early()
        if early is not None:
            return early, False
        if planned is not None and self.clock() >= planned:
            return "the planned time was over", True
        if loads and all(load.ended for load in loads):
            return "the load ended", planned is None
        return None

    def _early(self) -> str | None:
        stops = self._setup.stops
        if stops.fatal and any(item.severity != "correctable" for item in self._counted):
            return "stopped at the first uncorrectable error, as asked"
        if stops.link_down and any(event.kind in {"link down", "gone"} for event in self._progress.latest):
            return "stopped as a link went down, as asked"
        if stops.rate and self._over_the_rate():
            return f"stopped as correctable errors passed {self._setup.correctable}, as asked"
        hottest = max((link.temperature_c or 0.0 for link in self._progress.links.values()), default=0.0)
        if stops.temperature_c is not None and hottest >= stops.temperature_c:
            return f"stopped at {hottest:g} degrees Celsius, as asked"
        return None

    def _over_the_rate(self) -> bool:
        seconds = max(self.clock() - (self._baseline or 0.0), 1.0)
        for place in self._tracks:
            counts: dict[tuple[str, str, str, str], int] = {}
            for item in self._counted:
                if item.place == place:
                    key = (item.end, item.function, item.severity, item.error)
                    counts[key] = counts.get(key, 0) + item.count
            found = findings((*key, count) for key, count in counts.items())
            if any(is_link_error(item) and self._setup.correctable.exceeded(item.events, seconds) for item in found):
                return True
        return False

    def _sample(self, loads: list[Load]) -> None:
        t = self.clock()
        entries: list[Entry] = []
        links: dict[str, LinkSample] = {}
        flow = self._flow(t)
        for sampler in self._samplers:
            track = self._tracks[sampler.place]
            reading = sampler.read()
            entries += track.take(t, reading)
            counters = sampler.counters()
            if counters is not None:
                entries += track.count(t, counters)
            to_host, from_host = flow.get(sampler.place, (None, None))
            links[sampler.place] = LinkSample(
                reading.speed_gts, reading.width, to_host, from_host, reading.temperature_c
            )
        entries += self._settled(t, links, loads)
        self._note(t, entries, links)
        self._journal.append(*entries, *self._taken(), Sample(t, links))
        self._show(self._progress)

    def _note(self, t: float, entries: list[Entry], links: dict[str, LinkSample]) -> None:
        self._progress.t, self._progress.links = t, links
        for entry in entries:
            if isinstance(entry, Errors):
                self._counted.append(entry)
                self._progress.errors[entry.place] = self._progress.errors.get(entry.place, 0) + entry.count
            elif isinstance(entry, Event):
                self._progress.latest = [*self._progress.latest, entry][-20:]

    def _settled(self, t: float, links: dict[str, LinkSample], loads: list[Load]) -> Iterator[Baseline]:
        """The error baseline, once: links at working speed under load, or the time for that over."""
        if self._baseline is not None:
            return
        ready = all(
            (links[place].speed_gts, links[place].width) == track.possible for place, track in self._tracks.items()
        )
        patience = min(_SETTLE_S, (self._setup.planned_s or _SETTLE_S) / 4)
        if ready or not loads or t >= patience:
            self._baseline = t
            yield Baseline(t, {link.place_id: link.aspm for link in self._setup.links})

    def _flow(self, t: float) -> dict[str, tuple[float, float]]:
        """Bytes a second each way of every link, from the counters that exist."""
        if self._traffic is None:
            return {}
        moved, before, seconds = self._traffic.read(), self._moved, t - self._moved_t
        self._moved, self._moved_t = moved, t
        rates = dict(self._traffic.measured())
        if before and seconds > 0:
            for address in moved.keys() & before.keys():
                pairs = zip(moved[address], before[address], strict=True)
                to_host, from_host = (max(now - then, 0) / seconds for now, then in pairs)
                rates[address] = (to_host, from_host)
        found = {}
        for link in self._setup.links:
            mine = [rates[a] for a in (link.component.functions if link.component else ()) if a in rates]
            if mine:
                found[link.place_id] = (sum(rate[0] for rate in mine), sum(rate[1] for rate in mine))
        return found

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Ctrl-C and the order to end both lead to a complete record."""

        def interrupt(number: int, _: FrameType | None) -> None:
            self._interrupted = f"ended by {signal.Signals(number).name}"
            self._stop.set()

        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {number: signal.signal(number, interrupt) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
