"""What a soak and the process of a load say to each other, one JSON object a line.

To the process: its job, then `Go`; the end of the input tells it to stop. From it: `Ready`, what it measures, `Failed`.
"""

import msgspec

from probe.loads.interface import Options, Target
from probe.loads.phases import Schedule
from probe.loads.results import Mismatch, Pass


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """What a process is to do."""

    load: str
    target: Target
    place_id: str
    peer_place_id: str | None = None
    options: Options
    schedule: Schedule


class Go(msgspec.Struct, frozen=True, tag="go"):
    """All are ready, and the first phase begins at this moment of the shared clock."""

    begin_s: float


class Ready(msgspec.Struct, frozen=True, tag="ready"):
    """Everything is prepared."""


class Failed(msgspec.Struct, frozen=True, tag="failed"):
    """It could not go on, and why, in a sentence."""

    why: str


Report = Ready | Failed | Pass | Mismatch
