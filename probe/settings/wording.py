"""The settings of a link in words: what is set, what another setting would bring, and where such a setting is made."""

from collections.abc import Iterator

from probe.links.link import WhichEnd
from probe.settings.completion_timeout import CompletionTimeout
from probe.settings.of_link import Settings
from probe.settings.payload import PayloadSizes
from probe.settings.power_states import Aspm

WHERE_PAYLOAD_IS_SET = (
    "Firmware sets the size, or the kernel when it starts (pci=pcie_bus_safe: the most that all can take)."
)
"""Kernel Documentation/admin-guide/kernel-parameters.txt, pci=pcie_bus_safe."""
_ENDS = {WhichEnd.PORT: "port above", WhichEnd.COMPONENT: "component below"}


def rows(settings: Settings) -> Iterator[tuple[str, str]]:
    """Each setting with its value; nothing for what was not read."""
    yield from _payload_rows(settings.payload)
    for end, timeout in settings.completion_timeout.items():
        yield f"Completion Timeout, {_ENDS[end]}", _timeout(timeout)
    yield from _aspm_rows(settings.aspm)


def advice(settings: Settings) -> Iterator[str]:
    """What a person may want to change, and what it would bring; nothing where there is nothing to gain."""
    payload = settings.payload
    if payload.overruns:
        yield (
            f"{_listed(payload.overruns)} may send larger packets than the other end of the link is set to take; such "
            "a packet is refused as malformed, a fatal error. Compare the payload settings of firmware and kernel."
        )
    if payload.gain_to_host_percent or payload.gain_from_host_percent:
        yield f"{_gain(payload)} {WHERE_PAYLOAD_IS_SET}"


def _gain(payload: PayloadSizes) -> str:
    gains = ((payload.gain_to_host_percent, "to the host"), (payload.gain_from_host_percent, "from it"))
    told = " and ".join(f"at most {gain:g} % {way}" for gain, way in gains if gain)
    more = payload.needs_read_request
    request = (
        f", for reads with a Max_Read_Request_Size of {more} too" if more and payload.gain_from_host_percent else ""
    )
    return f"A Max_Payload_Size of {payload.supported} bytes on the whole way would carry more: {told}{request}."


def _payload_rows(payload: PayloadSizes) -> Iterator[tuple[str, str]]:
    if payload.in_force is not None:
        most = "" if payload.supported is None else f"; the way supports {payload.supported}"
        by = f" (no more: {_listed(payload.held_by)})" if most and payload.held_by else ""
        yield "Max_Payload_Size in force", f"{payload.in_force} bytes{most}{by}"
    if payload.read_request is not None:
        yield "Max_Read_Request_Size in force", f"{payload.read_request} bytes"


def _timeout(timeout: CompletionTimeout) -> str:
    value = "off" if timeout.disabled else timeout.value or "not read"
    if timeout.ranges is None:
        return value
    spans = ", ".join(f"{letter} {span}" for letter, span in timeout.ranges.items())
    return f"{value}; ranges {spans}" if spans else f"{value}; not programmable"


def _aspm_rows(aspm: Aspm) -> Iterator[tuple[str, str]]:
    both = aspm.both
    if both.enabled is not None:
        enabled = _states((*both.enabled, *(both.substates_enabled or ())))
        hidden = " (L1 substates not read)" if "L1" in both.enabled and both.substates_enabled is None else ""
        can = () if both.supported is None else (*both.supported, *(both.substates_supported or ()))
        yield "ASPM enabled at both ends", f"{enabled}{hidden}; both support {_states(can)}"
        for end, states in aspm.ends.items():
            if states.enabled is not None and set(states.enabled) != set(both.enabled):
                yield (
                    f"ASPM enabled at the {_ENDS[end]} alone",
                    _states(tuple(state for state in states.enabled if state not in both.enabled)),
                )


def _states(states: tuple[str, ...]) -> str:
    return ", ".join(states) or "none"


def _listed(addresses: tuple[str, ...], most: int = 3) -> str:
    rest = len(addresses) - most
    return ", ".join(addresses[:most]) + (f" and {rest} more" if rest > 0 else "")
