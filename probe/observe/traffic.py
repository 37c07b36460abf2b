"""Bytes a second over each link, by the counters that exist: disks, network interfaces and accelerators."""

from collections.abc import Iterable

from probe.audit.document import LinkDocument
from probe.host.class_devices import devices
from probe.observe.accelerator_counters import AcceleratorCounters, Rates
from probe.observe.heat import Heat

Moved = dict[str, tuple[int, int]]
"""By function: bytes to the host, bytes from the host, since boot."""


class Traffic:
    """Counters of a live host (psutil), and which link each belongs to."""

    def __init__(self, links: Iterable[LinkDocument]) -> None:
        self._disks: dict[str, str] = {}
        self._networks: dict[str, str] = {}
        self.look_again()
        self._accelerators = AcceleratorCounters()
        self._places = {
            address: link.place_id for link in links for address in (link.component.functions if link.component else ())
        }
        self._replays = self._accelerators.replays()
        self._before, self._before_t = self._moved(), 0.0

    def look_again(self) -> None:
        """Find the disks and network interfaces: those of a component that came back may have other names."""
        self._disks = dict(devices("block"))
        self._networks = dict(devices("net"))

    def rates(self, t: float) -> Rates:
        """Bytes a second to the host and from it since the last call, by place id."""
        now, before, seconds = self._moved(), self._before, t - self._before_t
        self._before, self._before_t = now, t
        found = dict(self._accelerators.rates())
        if seconds > 0:
            for address in now.keys() & before.keys():
                pairs = zip(now[address], before[address], strict=True)
                to_host, from_host = (max(later - earlier, 0) / seconds for later, earlier in pairs)
                found[address] = (to_host, from_host)
        return self._by_place(found)

    def _by_place(self, rates: Rates) -> Rates:
        found: Rates = {}
        for address, (to_host, from_host) in rates.items():
            place_id = self._places.get(address)
            if place_id is not None:
                sums = found.get(place_id, (0.0, 0.0))
                found[place_id] = (sums[0] + to_host, sums[1] + from_host)
        return found

    def heat(self) -> dict[str, tuple[Heat, ...]]:
        """What accelerators say of their own temperature, by place id."""
        found = self._accelerators.heat()
        return {self._places[address]: (heat,) for address, heat in found.items() if address in self._places}

    def replayed(self) -> dict[str, int]:
        """Packets replayed since the start by accelerators' own count, by place id: a witness beside the kernel's."""
        after = self._accelerators.replays()
        found: dict[str, int] = {}
        for address, before in self._replays.items():
            place_id = self._places.get(address)
            if place_id is not None and address in after:
                found[place_id] = found.get(place_id, 0) + after[address] - before
        return found

    def _moved(self) -> Moved:
        moved: Moved = {}
        if not self._disks and not self._networks:
            return moved
        import psutil  # noqa: PLC0415 - late

        for name, disk in (psutil.disk_io_counters(perdisk=True) or {}).items():
            _add(moved, self._disks.get(name), disk.read_bytes, disk.write_bytes)
        for name, interface in psutil.net_io_counters(pernic=True).items():
            _add(moved, self._networks.get(name), interface.bytes_recv, interface.bytes_sent)
        return moved


def _add(moved: Moved, address: str | None, to_host: int, from_host: int) -> None:
    if address is not None:
        before = moved.get(address, (0, 0))
        moved[address] = (before[0] + to_host, before[1] + from_host)
