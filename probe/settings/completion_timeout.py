"""Completion Timeout: how long a function waits for an answer, and what it could be set to.

Base Specification 6.x, 7.5.3.15 and 7.5.3.16: Device Capabilities 2 and Device Control 2.
"""

import msgspec

from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.link import Link, WhichEnd
from probe.registers.device import TIMEOUT_RANGES, DeviceCapabilities2, DeviceControl2


class CompletionTimeout(msgspec.Struct, frozen=True, kw_only=True):
    """Of one function. `ranges` are those it can be set in, by letter to span; none at all: not programmable."""

    function: str
    value: str | None = None
    disabled: bool | None = None
    ranges: dict[str, str] | None = None
    can_be_disabled: bool | None = None


def completion_timeouts(link: Link) -> dict[WhichEnd, CompletionTimeout]:
    """Of the function that speaks for each end; an end that was not read is absent."""
    found = {name: _of(end.function) for name, end in link.named_ends}
    return {name: item for name, item in found.items() if item is not None}


def _of(function: FunctionFacts) -> CompletionTimeout | None:
    disabled = value_of(function.read(DeviceControl2.completion_timeout_disable))
    letters = value_of(function.read(DeviceCapabilities2.completion_timeout_ranges_supported))
    if disabled is None and letters is None:
        return None
    return CompletionTimeout(
        function=str(function.address),
        value=value_of(function.read(DeviceControl2.completion_timeout_value)),
        disabled=disabled,
        ranges=None if letters is None else {letter: TIMEOUT_RANGES[letter] for letter in letters},
        can_be_disabled=value_of(function.read(DeviceCapabilities2.completion_timeout_disable_supported)),
    )
