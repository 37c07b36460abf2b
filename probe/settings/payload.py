"""Max_Payload_Size and Max_Read_Request_Size in force, the most that the way allows, and what that would gain.

A packet carries as much as the least capable function on its way takes (Base Specification 6.x, 2.2.2 and 7.5.3.3).
The gain is by the arithmetic of `probe.bandwidth.ceiling`, and so the most that it can be.
"""

from collections.abc import Iterator, Sequence

import msgspec

from probe.bandwidth.ceiling import packet_share, uses_flits
from probe.bandwidth.of_link import functions_on_the_way
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.link import Link
from probe.registers.device import DeviceCapabilities, DeviceControl
from probe.registers.function import ALTERNATIVE_ROUTING_ID
from probe.registers.link import LinkStatus2


class PayloadSizes(msgspec.Struct, frozen=True, kw_only=True):
    """Sizes in bytes; null where any function on the way was not read.

    `in_force` is the least Max_Payload_Size set on the way from the root, `supported` the least that a function there
    supports, `held_by` the functions that support no more where others would. The gains are of payload in per cent,
    each way, were it raised to that; for what comes from the host a read request has to be `needs_read_request` bytes
    too. `overruns` are functions set to send more than the other end of their link is set to take, which that end must
    refuse as malformed.
    """

    in_force: int | None = None
    supported: int | None = None
    held_by: tuple[str, ...] = ()
    read_request: int | None = None
    needs_read_request: int | None = None
    gain_to_host_percent: float | None = None
    gain_from_host_percent: float | None = None
    overruns: tuple[str, ...] = ()


def payload_sizes(link: Link) -> PayloadSizes:
    """The sizes of one link and the way that leads to it."""
    way = functions_on_the_way(link)
    sizes = [_size(function) for function in way]
    most = [value_of(function.read(DeviceCapabilities.max_payload_size_supported)) for function in way]
    now, could = _least(sizes), _least(most)
    request = _least([value_of(function.read(DeviceControl.max_read_request_size)) for function in link.functions])
    flit = value_of(link.ends[0].function.read(LinkStatus2.flit_mode_status)) if link.ends else None
    gains: tuple[float | None, float | None] = (None, None)
    speed = link.negotiated.speed_gts
    if now is not None and could is not None and speed is not None:
        flits = uses_flits(speed, flit_mode=flit)
        gains = (
            _gain(now, could, flit=flits),
            None if request is None else _gain(min(now, request), could, flit=flits),
        )
    return PayloadSizes(
        in_force=now,
        supported=could,
        held_by=_held_by(way, most, could),
        read_request=request,
        needs_read_request=could if request is not None and could is not None and request < could else None,
        gain_to_host_percent=gains[0],
        gain_from_host_percent=gains[1],
        overruns=tuple(_overruns(link)),
    )


def _least(sizes: Sequence[int | None]) -> int | None:
    known = [size for size in sizes if size is not None]
    return min(known) if known and len(known) == len(sizes) else None


def _held_by(way: Sequence[FunctionFacts], most: Sequence[int | None], least: int | None) -> tuple[str, ...]:
    if least is None or set(most) == {least}:
        return ()
    return tuple(str(item.address) for item, size in zip(way, most, strict=True) if size == least)


def _gain(now: int, could: int, *, flit: bool) -> float:
    """More payload in the same time, in per cent; 0 where the way takes no more."""
    if could <= now:
        return 0.0
    return round(float(packet_share(could, flit=flit) / packet_share(now, flit=flit) - 1) * 100, 1)


def _overruns(link: Link) -> Iterator[str]:
    """Functions that send more than is taken at the other end.

    Of a component with Alternative Routing-ID function 0 speaks for all; else the port may send what any of them takes.
    Base Specification 6.x, 7.5.3.4 (from memory).
    """
    if link.port is None or not link.functions:
        return
    above = link.port.function
    below = link.functions[:1] if link.functions[0].space.find(ALTERNATIVE_ROUTING_ID) else link.functions
    port_size, sizes = _size(above), [_size(function) for function in below]
    yield from (str(item.address) for item, size in zip(below, sizes, strict=True) if _more(size, port_size))
    known = [size for size in sizes if size is not None]
    if len(known) == len(sizes) and _more(port_size, max(known)):
        yield str(above.address)


def _size(function: FunctionFacts) -> int | None:
    return value_of(function.read(DeviceControl.max_payload_size))


def _more(sent: int | None, taken: int | None) -> bool:
    return sent is not None and taken is not None and sent > taken
