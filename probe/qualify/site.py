"""Where a qualification runs: the machine, the folder of the plan, the files of the run, and what a person has allowed.

May live here: reading the machine by way of `probe.host`.
"""

from pathlib import Path

import msgspec

from probe.audit.snapshot import Snapshot, take
from probe.evidence import Host
from probe.exceptions import InputError
from probe.host.bounded import read_bounded, read_host_bounded
from probe.host.firmware import DeviceFirmware, read_firmware
from probe.host.opening import open_source
from probe.host.source import DirectorySource
from probe.observe.observer import observers


class Site(msgspec.Struct, frozen=True, kw_only=True):
    """One machine and one run on it. `go` and `accepted` are what stands on the command line."""

    sysfs: Path | None
    folder: Path
    record: Path
    go: bool = False
    accepted: tuple[str, ...] = ()

    @property
    def journal(self) -> Path:
        """The journal of the run."""
        return self.record.with_name(f"{self.record.name}.journal")

    @property
    def soak(self) -> Path:
        """The journal of a soak that is going on, until it becomes a part of the run's own."""
        return self.record.with_name(f"{self.record.name}.soak")

    def source(self) -> DirectorySource:
        """The machine's files. Raises InputError where they are in no directory."""
        source = open_source(self.sysfs)
        if not isinstance(source, DirectorySource):
            raise InputError(
                "cannot be tested", where=str(self.sysfs), remedy="give a directory, or none for this host"
            )
        return source

    def snapshot(self) -> Snapshot:
        """The machine as it is now."""
        return take(read_bounded(self.source()))

    def host(self) -> Host:
        """Who the machine is, without looking at its functions."""
        return read_host_bounded(self.source())

    def firmware(self) -> tuple[DeviceFirmware, ...]:
        """The firmware of what is in it."""
        return read_firmware(self.source())

    def hottest_c(self, of: Snapshot) -> float | None:
        """The highest temperature that a component or its drive shows now; None where none shows any."""
        links = tuple(link for link in of.links if link.component is not None)
        watching = observers(self.source().sys, links, of.evidence)
        try:
            seen = [item.observe(0.0).reading.temperature_c for item in watching]
        finally:
            for item in watching:
                item.close()
        return max((value for value in seen if value is not None), default=None)
