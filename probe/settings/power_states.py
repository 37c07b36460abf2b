"""ASPM: the link states that save power, which of them each end supports and has enabled, and which both have.

Software is to enable a state at both ends, so a link has a state where both ends have it (Base Specification 6.x, 5.4.1
and 7.5.3.7, from memory). The substates of L1 stand in a capability of their own, which may be hidden where L1 is read.
"""

from collections.abc import Callable

import msgspec

from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.link import Link, WhichEnd
from probe.registers.function import L1_SUBSTATES, L1SubstatesCapabilities, L1SubstatesControl1
from probe.registers.link import ASPM_STATES, LinkCapabilities, LinkControl
from probe.registers.table_language import Field

States = tuple[str, ...]


class PowerStates(msgspec.Struct, frozen=True, kw_only=True):
    """What is supported and what is enabled: L0s and L1, and the substates of L1 by ASPM. null where not read."""

    supported: States | None = None
    enabled: States | None = None
    substates_supported: States | None = None
    substates_enabled: States | None = None


class Aspm(msgspec.Struct, frozen=True, kw_only=True):
    """Of a link what both ends have, null where either was not read; and of each end that was read."""

    both: PowerStates = PowerStates()
    ends: dict[WhichEnd, PowerStates] = {}


def aspm(link: Link) -> Aspm:
    """The states of one link."""
    ends = {name: _of(end.function) for name, end in link.named_ends}
    if len(ends) < len(WhichEnd):
        return Aspm(ends=ends)
    one, other = ends[WhichEnd.PORT], ends[WhichEnd.COMPONENT]

    def both(read: Callable[[PowerStates], States | None]) -> States | None:
        ours, theirs = read(one), read(other)
        return None if ours is None or theirs is None else tuple(state for state in ours if state in theirs)

    return Aspm(
        both=PowerStates(
            supported=both(lambda end: end.supported),
            enabled=both(lambda end: end.enabled),
            substates_supported=both(lambda end: end.substates_supported),
            substates_enabled=both(lambda end: end.substates_enabled),
        ),
        ends=ends,
    )


def _of(function: FunctionFacts) -> PowerStates:
    enabled = _states(function, LinkControl.aspm_control)
    substates = _substates(
        function, (("L1.1", L1SubstatesControl1.aspm_l1_1_enable), ("L1.2", L1SubstatesControl1.aspm_l1_2_enable))
    )
    return PowerStates(
        supported=_states(function, LinkCapabilities.aspm_support),
        enabled=enabled,
        substates_supported=_substates(
            function,
            (
                ("L1.1", L1SubstatesCapabilities.aspm_l1_1_supported),
                ("L1.2", L1SubstatesCapabilities.aspm_l1_2_supported),
            ),
        ),
        substates_enabled=() if enabled is not None and "L1" not in enabled else substates,
    )


def _states(function: FunctionFacts, field: Field[str]) -> States | None:
    fact = function.read(field)
    return None if fact is None else ASPM_STATES[fact.value]


def _substates(function: FunctionFacts, fields: tuple[tuple[str, Field[bool]], ...]) -> States | None:
    """Those whose bit is set; none where the whole list of capabilities was read and has none of them."""
    if function.space.find(L1_SUBSTATES) is None:
        return () if function.capabilities_read else None
    read = [(state, value_of(function.read(field))) for state, field in fields]
    return None if any(value is None for _, value in read) else tuple(state for state, value in read if value)
