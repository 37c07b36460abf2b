"""What `batch` says. It only grows; null is not read, never zero. Machines and places stand in a fixed order."""

import msgspec

from probe.batch.contribution import Tested
from probe.batch.readings import Reading
from probe.batch.standing import Standing
from probe.evidence import Host
from probe.links.state import LinkState
from probe.schemas import Schema
from probe.verdict.verdicts import Verdict


class Machine(msgspec.Struct, frozen=True, kw_only=True):
    """One machine, its files from the oldest to the newest, and which of them its links are taken from."""

    name: str
    host: Host
    files: tuple[str, ...]
    links_from: str | None = None


class Held(msgspec.Struct, frozen=True, kw_only=True):
    """One reading of a cell and where it stands among the same of the other machines."""

    measure: str
    of: str = ""
    reading: Reading
    standing: Standing


class Cell(msgspec.Struct, frozen=True, kw_only=True):
    """One place of one machine. `standing` is the worst of its readings; no verdict where its links were not given."""

    machine: str
    standing: Standing = Standing.UNKNOWN
    verdict: Verdict | None = None
    headline: str | None = None
    negotiated: LinkState = LinkState()
    possible: LinkState = LinkState()
    component: str | None = None
    identity: str | None = None
    downstream_port: str | None = None
    alarming: bool = False
    urgent: bool = False
    readings: tuple[Held, ...] = ()
    tested: tuple[Tested, ...] = ()


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """One thing compared in a place: what is usual, of how many that could be compared, how many agree.

    `usual` is null where nothing is. `needed` is how many more machines like the rest it takes to call those that stand
    apart odd; 0 where there are enough, null where none stands apart. `component` is what all of these hold there.
    """

    measure: str
    of: str = ""
    component: str | None = None
    usual: Reading | None = None
    alike: int = 0
    known: int = 0
    needed: int | None = None


class Place(msgspec.Struct, frozen=True, kw_only=True):
    """One place of the model; a cell a machine, in the order of the machines."""

    place_id: str = msgspec.field(name="place")
    title: str
    cells: tuple[Cell, ...]
    compared: tuple[Comparison, ...] = ()


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """A reading that is unlike the others; `place` is null for the machine as a whole."""

    machine: str
    place_id: str | None = msgspec.field(name="place", default=None)
    title: str
    standing: Standing
    reading: Reading
    against: Comparison


class Part(msgspec.Struct, frozen=True):
    """Machines that read the same."""

    reading: Reading
    machines: tuple[str, ...]


class Split(msgspec.Struct, frozen=True, kw_only=True):
    """A place where the machines differ and none of what they are is usual: nobody is odd."""

    place_id: str | None = msgspec.field(name="place", default=None)
    title: str
    against: Comparison
    parts: tuple[Part, ...]


class Own(msgspec.Struct, frozen=True, kw_only=True):
    """A finding that stands without any comparison: a link that alarms, a test that failed."""

    machine: str
    place_id: str = msgspec.field(name="place")
    title: str
    sentence: str
    urgent: bool = False


class Batch(msgspec.Struct, frozen=True, kw_only=True):
    """Machines of one model beside each other. `enough` is the least number of which one that is unlike is odd."""

    schema: str = Schema.BATCH
    model: str | None
    machines: tuple[Machine, ...]
    enough: int
    findings: tuple[Finding, ...] = ()
    splits: tuple[Split, ...] = ()
    own: tuple[Own, ...] = ()
    places: tuple[Place, ...] = ()
    firmware: Place | None = None
    notes: tuple[str, ...] = ()
