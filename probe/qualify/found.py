"""How a step ended, as the judges of all kinds of steps say it. Pure."""

from typing import Any, Self

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.qualify.document import StepLink
from probe.result import Result


class Found(msgspec.Struct, frozen=True, kw_only=True):
    """How a step ended."""

    result: Result
    urgent: bool = False
    reasons: tuple[str, ...] = ()
    links: tuple[StepLink, ...] = ()
    shows: tuple[str, ...] = ()
    hottest_c: float | None = None
    lines: tuple[int, ...] = ()
    """Lines of the journal that it rests on beside its own."""

    def but(self, **changes: Any) -> Self:  # noqa: ANN401 - fields
        """The same, with other values."""
        return msgspec.structs.replace(self, **changes)


def unknown(*reasons: str) -> Found:
    """What could not be told, and why."""
    return Found(result=Result.INCONCLUSIVE, reasons=reasons)


def step_link(link: LinkDocument, result: Result, reasons: tuple[str, ...]) -> StepLink:
    """What a step says of a link."""
    return StepLink(
        place_id=link.place_id, title=title(link), downstream_port=link.downstream_port, result=result, reasons=reasons
    )
