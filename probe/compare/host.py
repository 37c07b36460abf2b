"""The machine itself, before and after: its kernel, its firmware, its name."""

from collections.abc import Iterator

import msgspec

from probe.compare.rank import Rank
from probe.evidence import Host

_FIRMWARE = ("bios", "product", "board")


class HostChanged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="host"):
    """A value of the machine is another one."""

    name: str
    before: str | None
    after: str | None

    kind = "host"
    place = "this machine"
    rank = Rank.NEUTRAL
    urgent = False
    evidence = "host identity"

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.name} changed from {self.before or 'none'} to {self.after or 'none'}"


def host_changes(before: Host, after: Host) -> Iterator[HostChanged]:
    """What of the machine differs, of what was read both times."""
    then, now = _values(before), _values(after)
    for name in sorted(then.keys() & now.keys()):
        if then[name] != now[name]:
            yield HostChanged(name=name, before=then[name], after=now[name])


def _values(host: Host) -> dict[str, str]:
    firmware = {name: text for name, text in host.firmware.items() if name.startswith(_FIRMWARE)}
    return firmware if host.kernel is None else {"kernel": host.kernel, **firmware}
