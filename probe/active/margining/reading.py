"""Registers that have to be there while a link is margined."""

from probe.active.link_at import EndAt
from probe.active.margining.failures import LinkDisturbed
from probe.active.steps import Protocol
from probe.registers.margining import LANE_MARGINING
from probe.registers.table_language import Register


def present(end: EndAt, register: type[Register]) -> Protocol[int]:
    """A register's value. Raises LinkDisturbed where nothing answers."""
    raw = yield from end.read(register)
    if raw is None:
        raise LinkDisturbed(f"{end.address} no longer answers")
    return raw


def margining_at(end: EndAt) -> int | None:
    """Where the Lane Margining capability of an end is; None where it has none."""
    return end.offsets.get((LANE_MARGINING.extended, LANE_MARGINING.id))
