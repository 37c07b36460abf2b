"""What a journal of a soak holds: one JSON object a line. A saved format only grows.

Each line is on the disk after its sample, so that a crash loses at most the last one (`writing.py`). Older lines are
thinned (`thinning.py`).
"""

from enum import StrEnum

import msgspec

from probe.audit.snapshot import Snapshot
from probe.loads.results import Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent
from probe.schemas import Schema
from probe.soak.rates import Rates


class LinkSample(msgspec.Struct, frozen=True, array_like=True):
    """One link at one moment: GT/s, lanes, bytes a second each way, degrees Celsius. None is not read."""

    speed_gts: float | None = None
    width: int | None = None
    to_host_bytes_s: float | None = None
    from_host_bytes_s: float | None = None
    temperature_c: float | None = None


class Spread(msgspec.Struct, frozen=True, array_like=True):
    """Least, mean and most of one value over thinned samples."""

    least: float
    mean: float
    most: float


_NOT_READ = (None,) * len(LinkSample.__struct_fields__)


class Start(msgspec.Struct, frozen=True, kw_only=True, tag="start"):
    """How it began: the snapshot before, what is watched, what is run, and the limits that apply."""

    schema: str = Schema.JOURNAL
    snapshot: Snapshot
    place_ids: tuple[str, ...] = msgspec.field(name="places")
    loads: tuple[str, ...]
    interval_s: float
    planned_s: float
    correctable_limit: str
    boot_clock_s: float = 0.0
    stops: tuple[str, ...] = ()
    covers: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    rate_bytes_s: float | None = None
    accepts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    at_least: float | None = None


class Sample(msgspec.Struct, frozen=True, tag="sample"):
    """All links at `t` seconds since the start."""

    t: float
    links: dict[str, LinkSample]


class StateTime(msgspec.Struct, frozen=True, array_like=True):
    """For how many seconds a link was in a state, and for how many of these under load.

    `loaded_s` by what loads and counters say, from the baseline on; `claimed_s` beside that by the person's word alone.
    """

    speed_gts: float | None
    width: int | None
    seconds: float
    loaded_s: float
    claimed_s: float


class Thinned(msgspec.Struct, frozen=True, tag="thinned"):
    """Many samples as one: for each link the spread of each value, in LinkSample's order, and its times by state.

    A value that a row does not have was not read.
    """

    t: float
    until: float
    samples: int
    links: dict[str, tuple[Spread | None, ...]]
    states: dict[str, tuple[StateTime, ...]] = {}

    def __post_init__(self) -> None:
        """Give every row a place for each value."""
        if any(len(row) != len(_NOT_READ) for row in self.links.values()):
            whole = {place_id: (*row, *_NOT_READ[len(row) :])[: len(_NOT_READ)] for place_id, row in self.links.items()}
            msgspec.structs.force_setattr(self, "links", whole)


class Passes(msgspec.Struct, frozen=True, kw_only=True, tag="passes"):
    """Many passes of one load, target and direction as one, from `since` to `t`. `like` is one of them."""

    t: float
    since: float
    like: Pass
    rates: Rates
    lost: int = 0


class PhaseSums(msgspec.Struct, frozen=True, kw_only=True, tag="sums"):
    """What several targets carried together, in each of many phases of one name from `since` to `t`.

    `members` are load, target and place id; `over` is the link that all share, by its ends, None for all of the run.
    """

    t: float
    since: float
    phase: str
    members: tuple[tuple[str, str, str], ...]
    over: tuple[str | None, str | None] | None
    rates: Rates


class Baseline(msgspec.Struct, frozen=True, tag="baseline"):
    """From `t` on errors count: the links have reached working speed under load (or the time for it was over)."""

    t: float
    aspm: dict[str, str | None]


class Gap(msgspec.Struct, frozen=True, kw_only=True, tag="gap"):
    """Time without samples, from `since` to `t`; an error that came and went in it is not known. `why` is in words."""

    t: float
    since: float
    why: str

    @property
    def seconds(self) -> float:
        """How long nobody looked."""
        return self.t - self.since


class Damaged(msgspec.Struct, frozen=True, kw_only=True, tag="damaged"):
    """A line that cannot be read, by its number; what it held is not known. It came after `t`."""

    t: float
    line: int


class LoadEnded(msgspec.Struct, frozen=True, kw_only=True, tag="load"):
    """A load came to its end: its exit status, or what went wrong, and the end of what it printed."""

    t: float
    load: str
    status: int | None = None
    failure: str | None = None
    output: str = ""


class Cause(StrEnum):
    """Why a soak ended."""

    PLANNED = "planned"
    LOADS_ENDED = "loads ended"
    INTERRUPTED = "interrupted"
    UNCORRECTABLE = "uncorrectable error"
    LINK_LOST = "link lost"
    ERROR_LIMIT = "error limit"
    TEMPERATURE = "temperature"
    RECORD = "record"


class End(msgspec.Struct, frozen=True, kw_only=True, tag="end"):
    """How it ended, with the snapshot after where one could be taken."""

    t: float
    why: str
    complete: bool
    snapshot: Snapshot | None = None
    cause: Cause | None = None


Entry = (
    Start | Sample | Thinned | LinkEvent | CountedErrors | Pass | Passes | PhaseSums | Mismatch | Baseline | Gap
    | Damaged | LoadEnded | End
)  # fmt: skip


def moment(entry: Entry) -> float:
    """The latest moment that an entry tells of, in seconds since the start."""
    return 0.0 if isinstance(entry, Start) else max(entry.t, getattr(entry, "until", None) or 0.0)


def later(entry: Entry, seconds: float) -> Entry:
    """The same so many seconds later; a start is where all of them count from."""
    if isinstance(entry, Start):
        return entry
    moments = {name: getattr(entry, name) for name in _MOMENTS if getattr(entry, name, None) is not None}
    return msgspec.structs.replace(entry, **{name: t + seconds for name, t in moments.items()})


_MOMENTS = ("t", "since", "until")
"""The fields that are seconds since the start, by name, in whatever entry they stand."""
