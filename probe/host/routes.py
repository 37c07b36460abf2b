"""Over which network interfaces this host reaches an address, from its own tables and addresses."""

import ipaddress
from collections.abc import Iterable, Iterator

from probe.host.processes import Login
from probe.host.source import Source

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Host = ipaddress.IPv4Address | ipaddress.IPv6Address


def interfaces_towards(logins: Iterable[Login], source: Source) -> tuple[str, ...]:
    """The interfaces that carry these logins: the one with our address, and the one over which the peer is routed."""
    import psutil  # noqa: PLC0415 - late

    ours = {
        address.address.partition("%")[0]: name
        for name, addresses in psutil.net_if_addrs().items()
        for address in addresses
    }
    routes = list(_routes(source))
    found: dict[str, None] = {}
    for login in logins:
        peer = _address(login.peer)
        carriers = (ours.get(login.local or ""), None if peer is None else towards(peer, routes))
        found.update(dict.fromkeys(name for name in carriers if name not in {None, "lo"}))
    return tuple(name for name in found if name)


def towards(peer: Host, routes: Iterable[tuple[Network, str]]) -> str | None:
    """The interface of the most specific route to an address."""
    fitting = [
        (network.prefixlen, name) for network, name in routes if network.version == peer.version and peer in network
    ]
    return max(fitting)[1] if fitting else None


def _address(text: str) -> Host | None:
    try:
        return ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None


def _routes(source: Source) -> Iterator[tuple[Network, str]]:
    text = source.text("proc/net/route")
    for line in text.splitlines()[1:] if isinstance(text, str) else ():
        fields = line.split()
        if len(fields) > 7:  # noqa: PLR2004 - Iface Destination Gateway Flags RefCnt Use Metric Mask
            destination, mask = (ipaddress.IPv4Address(bytes.fromhex(fields[at])[::-1]) for at in (1, 7))
            yield ipaddress.IPv4Network(f"{destination}/{mask}"), fields[0]
    text = source.text("proc/net/ipv6_route")
    for line in text.splitlines() if isinstance(text, str) else ():
        fields = line.split()
        if len(fields) > 9:  # noqa: PLR2004 - destination, its prefix length, …, interface
            base = ipaddress.IPv6Address(bytes.fromhex(fields[0]))
            yield ipaddress.IPv6Network((base, int(fields[1], 16)), strict=False), fields[9]
