"""Access Control Services of one port: which packets between devices it sends up to the root, where they are checked.

Base Specification 6.x, 6.12 and 7.7.11 (section numbers from memory). A port without the capability redirects nothing.
"""

import msgspec

from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.registers.function import ACCESS_CONTROL_SERVICES, AcsControl
from probe.registers.table_language import Field


class PortIsolation(msgspec.Struct, frozen=True, kw_only=True):
    """What is enabled at one port on the way; null where it was not read."""

    port: str
    source_validation: bool | None = None
    translation_blocking: bool | None = None
    request_redirect: bool | None = None
    completion_redirect: bool | None = None
    upstream_forwarding: bool | None = None
    egress_control: bool | None = None

    @property
    def redirects(self) -> bool | None:
        """Whether it sends packets between devices up to the root, or may by a vector; None where that was not read.

        Any of three bits, as the kernel has it in drivers/pci/p2pdma.c, pci_bridge_has_acs_redir.
        """
        bits = (self.request_redirect, self.completion_redirect, self.egress_control)
        return True if True in bits else None if None in bits else False


def isolation_of(function: FunctionFacts) -> PortIsolation:
    """What is enabled at this port."""
    has_none = function.space.find(ACCESS_CONTROL_SERVICES) is None and function.capabilities_read

    def enabled(field: Field[bool]) -> bool | None:
        return False if has_none else value_of(function.read(field))

    return PortIsolation(
        port=str(function.address),
        source_validation=enabled(AcsControl.acs_source_validation),
        translation_blocking=enabled(AcsControl.acs_translation_blocking),
        request_redirect=enabled(AcsControl.acs_p2p_request_redirect),
        completion_redirect=enabled(AcsControl.acs_p2p_completion_redirect),
        upstream_forwarding=enabled(AcsControl.acs_upstream_forwarding),
        egress_control=enabled(AcsControl.acs_p2p_egress_control),
    )
