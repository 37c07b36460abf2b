"""What one link carries, by its state and the payload sizes in force."""

from fractions import Fraction

import msgspec

from probe.bandwidth.ceiling import Ceiling, carries, line_rate, line_rate_bytes_s
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.link import Link
from probe.links.state import LinkState
from probe.registers.device import DeviceControl
from probe.registers.link import LinkStatus2


class Bandwidth(msgspec.Struct, frozen=True, kw_only=True):
    """Bytes a second (SI), one direction. The first two after line encoding; the ceiling after packet overhead.

    `read_floor_bytes_s` is what reads carry where each completion is only one Read Completion Boundary long.
    """

    negotiated_bytes_s: int | None = None
    possible_bytes_s: int | None = None
    ceiling_bytes_s: Ceiling = Ceiling()
    read_floor_bytes_s: int | None = None
    max_payload_size: int | None = None
    max_read_request_size: int | None = None
    flit_mode: bool | None = None


def bandwidth_of(link: Link) -> Bandwidth:
    """What the link carries now and could carry; all unknown for an empty port."""
    if not link.functions:
        return Bandwidth()
    payload = payload_in_force(link)
    requests = [function.read(DeviceControl.max_read_request_size) for function in link.functions]
    request = min((fact.value for fact in requests if fact is not None), default=None)
    flit = value_of(link.ends[0].function.read(LinkStatus2.flit_mode_status))
    now = link.negotiated
    ceiling, floor = Ceiling(), None
    if now.speed_gts is not None and now.width is not None and payload is not None:
        # A function that states no request size (a port) is taken to ask for as much as one packet holds.
        carried = carries(now.speed_gts, now.width, payload, request or payload, flit_mode=flit)
        ceiling = Ceiling(int(carried.to_host), int(carried.from_host))
        floor = int(carried.read_floor)
    return Bandwidth(
        negotiated_bytes_s=_bytes_s(now),
        possible_bytes_s=_bytes_s(link.possible),
        ceiling_bytes_s=ceiling,
        read_floor_bytes_s=floor,
        max_payload_size=payload,
        max_read_request_size=request,
        flit_mode=flit,
    )


def payload_in_force(link: Link) -> int | None:
    """Max_Payload_Size in force: the least on the way from the root; None if any of it was not read."""
    facts = [function.read(DeviceControl.max_payload_size) for function in functions_on_the_way(link)]
    values = [fact.value for fact in facts if fact is not None]
    return min(values) if values and len(values) == len(facts) else None


def functions_on_the_way(link: Link) -> tuple[FunctionFacts, ...]:
    """Every function that a packet between the root and this link's component passes, its own ones last."""
    ports = [item.port.function for item in link.chain if item.port is not None]
    bridges = [function for item in link.chain[:-1] for function in item.functions if function.is_bridge]
    return (*ports, *bridges, *link.functions)


def oversubscription(link: Link) -> float | None:
    """How many times over a switch's links below could fill this uplink; None where nothing is below."""
    own = rate(link.negotiated)
    below = sum((rate(item.negotiated) or Fraction(0) for item in link.below if item.port is not None), Fraction(0))
    return None if not own or not below else round(float(below / own), 2)


def rate(state: LinkState) -> Fraction | None:
    """Bytes a second after line encoding, exact; None where the state was not read."""
    return None if state.speed_gts is None or state.width is None else line_rate(state.speed_gts, state.width)


def _bytes_s(state: LinkState) -> int | None:
    return None if state.speed_gts is None or state.width is None else line_rate_bytes_s(state.speed_gts, state.width)
