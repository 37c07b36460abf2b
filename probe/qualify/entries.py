"""What a journal of a qualification holds: one JSON object a line, each what was asked, done or measured, none judged.

A saved format only grows: a new field has a default, and no field ever changes its type. Everything that the record
says follows from these.
"""

from enum import StrEnum

import msgspec

from probe.active.documents import PutBackDocument, SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.audit.snapshot import Snapshot
from probe.evidence import Host
from probe.host.firmware import DeviceFirmware
from probe.schemas import Schema
from probe.soak.journal import Entry as SoakEntry


class Cause(StrEnum):
    """Why a part of a qualification began."""

    FIRST = "begun"
    REBOOT = "the machine was started anew, as the plan asked"
    HOST_WENT_DOWN = "the host went down and was started anew"
    PROGRAM_ENDED = "the program was ended or killed"
    UNKNOWN = "it was cut off, and whether the host went down is not known"


class Begun(msgspec.Struct, frozen=True, kw_only=True, tag="begun"):
    """The head: the plan word for word, who asked, what may be lost. `files` are those that the plan names."""

    schema: str = Schema.QUALIFY_JOURNAL
    written_by: str
    at: str
    plan_name: str
    plan: str
    plan_sha256: str
    fields: dict[str, str] = {}
    accepted: tuple[str, ...] = ()
    go: bool = False
    files: dict[str, str] = {}


class PartBegun(msgspec.Struct, frozen=True, kw_only=True, tag="part"):
    """A part begins: the first, or one after a cut. The machine, and the firmware of what is in it, as they are now.

    The first has the whole evidence, by which what no step tests is known.
    """

    at: str
    cause: Cause
    host: Host
    firmware: tuple[DeviceFirmware, ...] = ()
    snapshot: Snapshot | None = None
    written_by: str = ""


class TurnBegun(msgspec.Struct, frozen=True, kw_only=True, tag="turn"):
    """A turn begins, perhaps not for the first time."""

    turn: int
    name: str
    at: str


class TurnEnded(msgspec.Struct, frozen=True, kw_only=True, tag="turn ended"):
    """A turn has come to its end. `seconds` are those of this part, `hottest_c` the most that its links showed."""

    turn: int
    at: str
    seconds: float
    hottest_c: float | None = None


class Taken(msgspec.Struct, frozen=True, kw_only=True, tag="snapshot"):
    """The evidence of the machine, for a snapshot or for expectations."""

    turn: int
    snapshot: Snapshot


class Trained(msgspec.Struct, frozen=True, kw_only=True, tag="trainings"):
    """What trainings saw."""

    turn: int
    document: TrainingDocument


class Sped(msgspec.Struct, frozen=True, kw_only=True, tag="speeds"):
    """What a way through the speeds saw."""

    turn: int
    document: SpeedsDocument


class Margined(msgspec.Struct, frozen=True, kw_only=True, tag="margins"):
    """What margining measured."""

    turn: int
    document: MarginDocument


class SoakPart(msgspec.Struct, frozen=True, kw_only=True, tag="soak"):
    """One part of a soak, with the whole of its own journal, and the seconds that it did."""

    turn: int
    seconds: float
    entries: tuple[SoakEntry, ...]


class Commanded(msgspec.Struct, frozen=True, kw_only=True, tag="command"):
    """How the site's own command ended: its status, or what went wrong, and the end of what it printed."""

    turn: int
    seconds: float
    status: int | None = None
    failure: str | None = None
    output: str = ""


class RebootAsked(msgspec.Struct, frozen=True, kw_only=True, tag="reboot"):
    """The machine was told to start anew, in the boot of this id."""

    turn: int
    at: str
    boot_id: str | None


class NotDone(msgspec.Struct, frozen=True, kw_only=True, tag="not done"):
    """Why a turn could not be done, in words."""

    turn: int
    why: str


class PutBack(msgspec.Struct, frozen=True, kw_only=True, tag="put back"):
    """What was put back of a turn that was cut off while it wrote to hardware."""

    turn: int
    document: PutBackDocument


class Stopped(msgspec.Struct, frozen=True, kw_only=True, tag="stopped"):
    """A person or the system asked for the end of this part; another may follow."""

    at: str
    signal: str


class Done(msgspec.Struct, frozen=True, kw_only=True, tag="done"):
    """The end: nothing follows. `turn` is the one that stopped the plan, None where all were done."""

    at: str
    stopped_at: int | None = None
    why: str = ""


Entry = (
    Begun
    | PartBegun
    | TurnBegun
    | TurnEnded
    | Taken
    | Trained
    | Sped
    | Margined
    | SoakPart
    | Commanded
    | RebootAsked
    | NotDone
    | PutBack
    | Stopped
    | Done
)
Measured = Taken | Trained | Sped | Margined | SoakPart | Commanded | NotDone
"""What a turn leaves, by which it is judged."""
