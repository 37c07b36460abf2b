"""What a plan would do on this machine and how long it would take, and what stands in its way: nothing was done."""

import msgspec

from probe.evidence import Host
from probe.qualify.plan_file import Fault
from probe.schemas import Schema


class PreviewStep(msgspec.Struct, frozen=True, kw_only=True):
    """One step: what is asked, its limit, how long it takes once, what it writes, the words that it needs.

    `lasts_s` is null where nobody knows, `at_most_s` where nothing bounds it.
    """

    name: str
    kind: str
    line: int | None = None
    times: int = 1
    asked: str
    limit: str
    links: tuple[str, ...] = ()
    lasts_s: float | None = None
    at_most_s: float | None = None
    writes: tuple[str, ...] = ()
    accept: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()


class Preview(msgspec.Struct, frozen=True, kw_only=True):
    """A plan before it is done. `faults` are what stands in its way; with any, nothing is begun."""

    schema: str = Schema.QUALIFY_PREVIEW
    plan: str
    title: str = ""
    host: Host | None = None
    steps: tuple[PreviewStep, ...] = ()
    faults: tuple[Fault, ...] = ()
    accept: tuple[str, ...] = ()
    writes: bool = False
    cautions: tuple[str, ...] = ()

    @property
    def lasts_s(self) -> float:
        """How long all of it takes as usual, without what nobody knows of."""
        return sum((step.lasts_s or 0.0) * step.times for step in self.steps)

    @property
    def at_most_s(self) -> float | None:
        """How long all of it takes at the most; None where something has no bound."""
        bounds = [None if step.at_most_s is None else step.at_most_s * step.times for step in self.steps]
        known = [bound for bound in bounds if bound is not None]
        return sum(known) if len(known) == len(bounds) else None
