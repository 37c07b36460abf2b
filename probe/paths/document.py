"""What `paths` says. It only grows; null is not read, never zero and never "none"."""

from enum import StrEnum

import msgspec

from probe.bandwidth.path import PathStep
from probe.evidence import Host
from probe.paths.isolation import PortIsolation
from probe.schemas import Schema


class Kind(StrEnum):
    """What a device is."""

    ACCELERATOR = "accelerator"
    DISPLAY = "display"
    NETWORK = "network"
    DRIVE = "drive"


class Turn(StrEnum):
    """Where packets between two devices turn from going up to going down."""

    SWITCH = "switch"
    REDIRECTED = "redirected to the root"
    ROOT = "root"
    HIDDEN = "hidden"
    UNKNOWN = "not known"


class Device(msgspec.Struct, frozen=True, kw_only=True):
    """One device. `iommu_group` is null where the kernel names none. `root` is its root bus: domain and number."""

    address: str
    kind: Kind
    name: str
    title: str
    numa_node: int | None = None
    iommu_group: str | None = None
    root: str | None = None


class Pair(msgspec.Struct, frozen=True, kw_only=True):
    """The way between two devices, by their addresses.

    `at` is the Upstream Port of the switch where the two meet, null where they meet in the root. `isolation` has the
    ports on the way below that point. `same_node` and `same_group` are null where either was not read. The ceiling is
    payload one way, bytes a second, at the states that the links have now; `rests` says that one of them saves power.
    """

    one: str
    other: str
    turn: Turn
    at: str | None = None
    isolation: tuple[PortIsolation, ...] = ()
    same_node: bool | None = None
    same_group: bool | None = None
    same_root: bool | None = None
    narrowest: PathStep | None = None
    ceiling_bytes_s: int | None = None
    rests: bool = False
    steps: tuple[PathStep, ...] = ()


class Group(msgspec.Struct, frozen=True, kw_only=True):
    """Pairs whose ways are alike: of the same kinds, turning in the same way, as narrow; `at` are their switches."""

    kinds: tuple[Kind, Kind]
    turn: Turn
    at: tuple[str, ...] = ()
    same_node: bool | None = None
    narrowest: str | None = None
    ceiling_bytes_s: int | None = None
    pairs: int
    devices: tuple[str, ...] = ()


class Paths(msgspec.Struct, frozen=True, kw_only=True):
    """The ways between accelerators, displays, network adapters and drives of one machine."""

    schema: str = Schema.PATHS
    host: Host
    devices: tuple[Device, ...]
    groups: tuple[Group, ...] = ()
    pairs: tuple[Pair, ...] = ()
