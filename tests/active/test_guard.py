"""Who uses what is below a link, and which word covers it: evidence in, findings out."""

import pytest
from msgspec.structs import replace

from fake_sysfs import Component, Function, Machine, State, card, machine, port, root_port, switch
from probe.active.guard import (
    BOUND,
    LINK_LOSS,
    LIVE_DATA,
    SLOT_POWER,
    Effect,
    Finding,
    Ground,
    disks_to_hold,
    findings,
    standing_in_the_way,
)
from probe.active.target import Target, targets
from probe.active.users import users_of_file
from probe.evidence import Unread, Why
from probe.host.crash_dump import CrashDump
from probe.host.exclusive import Refused
from probe.host.machine import read_machine
from probe.host.mounts import Mount
from probe.host.processes import OpenDevice
from probe.host.uses import BlockDevice, Display, Interface, PlatformDevice, Uses
from probe.links.function import FunctionFacts

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"
BELOW = f"devices/pci0000:00/{PORT}/{COMPONENT}"
ELSEWHERE = "devices/pci0000:00/0000:00:02.0/0000:02:00.0"
DISK = BlockDevice(name="nvme0n1", number="259:0", paths=(f"{BELOW}/nvme/nvme0/nvme0n1",))
PART = BlockDevice(name="nvme0n1p2", number="259:2", paths=(f"{DISK.paths[0]}/nvme0n1p2",))
NOTHING = Uses(live=True)


def target(described: Machine | None = None) -> Target:
    made = described or machine(root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8")))
    return targets(read_machine(made.build().source()), [PORT])[0]


def found(
    uses: Uses = NOTHING, effect: Effect = Effect.RETRAINS, *, on: Target | None = None, firmware: str | None = None
) -> tuple[Finding, ...]:
    return findings(Ground(target=on or target(), effect=effect, uses=uses, firmware_first=firmware))


def told(items: tuple[Finding, ...]) -> list[tuple[str, str, str | None]]:
    return [(item.what, item.user, item.word) for item in items]


def virtual(name: str, number: str, *holders: str, title: str | None = None) -> BlockDevice:
    return BlockDevice(name=name, number=number, paths=(f"devices/virtual/block/{name}",), holders=holders, title=title)


def mount(device: str, point: str, source: str = "/dev/x") -> Mount:
    return Mount(device, point, "ext4", source)


def test_nothing_below_in_use_and_no_driver_leaves_a_retrain_alone() -> None:
    assert found() == ()


@pytest.mark.parametrize("effect", list(Effect))
def test_no_word_covers_a_mounted_disk_whatever_the_test(effect: Effect) -> None:
    uses = replace(NOTHING, block_devices=(DISK,), mounts=(mount("259:0", "/data"),))
    assert ("disk nvme0n1", "mounted on /data", None) in told(found(uses, effect))


def test_the_root_disk_by_its_partition() -> None:
    uses = replace(NOTHING, block_devices=(DISK, PART), mounts=(mount("259:2", "/"),))
    assert told(found(uses)) == [("disk nvme0n1", "the system's root, through nvme0n1p2", None)]


def test_a_file_system_on_a_volume_on_an_array_on_a_partition() -> None:
    uses = replace(
        NOTHING,
        block_devices=(
            DISK, replace(PART, holders=("md0",)), virtual("md0", "9:0", "dm-0"),
            virtual("dm-0", "254:0", title="vg-home"),
        ),
        mounts=(mount("254:0", "/home"),),
    )  # fmt: skip
    users = [user for _, user, _ in told(found(uses))]
    assert "a part of md0, through nvme0n1p2" in users
    assert "mounted on /home, through dm-0 (vg-home) on md0 on nvme0n1p2" in users


def test_an_array_that_is_not_mounted_holds_its_members_too() -> None:
    uses = replace(NOTHING, block_devices=(replace(DISK, holders=("md0",)), virtual("md0", "9:0")))
    assert told(found(uses)) == [("disk nvme0n1", "a part of md0", None)]


@pytest.mark.parametrize("name", ["/dev/nvme0n1p2", "/dev/mapper/vg-swap"])
def test_swap_by_any_name(name: str) -> None:
    volume = virtual("dm-1", "254:1", title="vg-swap")
    uses = replace(NOTHING, block_devices=(DISK, replace(PART, holders=("dm-1",)), volume), swaps=(name,))
    assert any(user.startswith("swap") for _, user, _ in told(found(uses)))


def test_btrfs_by_its_members_and_by_its_source() -> None:
    member = replace(NOTHING, block_devices=(DISK,), btrfs_members=("nvme0n1",))
    assert told(found(member)) == [("disk nvme0n1", "a member of a btrfs file system in use", None)]
    source = replace(NOTHING, block_devices=(DISK,), mounts=(mount("0:45", "/srv", "/dev/nvme0n1"),))
    assert told(found(source)) == [("disk nvme0n1", "mounted on /srv", None)]


def test_a_disk_with_several_paths_is_lost_with_any_of_them() -> None:
    head = BlockDevice(
        name="nvme0n1", number="259:0",
        paths=("devices/virtual/nvme-subsystem/nvme-subsys0/nvme0n1", f"{ELSEWHERE}/nvme/nvme0", f"{BELOW}/nvme/nvme1"),
    )  # fmt: skip
    uses = replace(NOTHING, block_devices=(head,), mounts=(mount("259:0", "/data"),))
    assert told(found(uses)) == [("disk nvme0n1", "mounted on /data", None)]


def test_a_disk_by_its_file() -> None:
    uses = replace(NOTHING, block_devices=(DISK, PART), mounts=(mount("259:2", "/"),))
    assert users_of_file("/dev/nvme0n1", uses) == ("the system's root, through nvme0n1p2",)
    assert users_of_file("/dev/nvme0n1p2", uses) == ("the system's root",)
    assert users_of_file("/dev/nvme1n1", uses) == ()
    assert users_of_file("/srv/scratch", uses) == ()


def test_disks_elsewhere_do_not_matter() -> None:
    other = replace(DISK, paths=(f"{ELSEWHERE}/nvme/nvme0/nvme0n1",))
    assert found(replace(NOTHING, block_devices=(other,), mounts=(mount("259:0", "/"),))) == ()
    near = replace(DISK, paths=(f"devices/pci0000:00/{PORT}0/nvme0n1",))  # begins alike, and is another port
    assert found(replace(NOTHING, block_devices=(near,), mounts=(mount("259:0", "/"),))) == ()


def test_whole_disks_are_held_and_what_cannot_be_held_is_in_use() -> None:
    ground = Ground(
        target=target(), effect=Effect.RETRAINS, uses=replace(NOTHING, block_devices=(DISK, PART)), firmware_first=None
    )
    assert disks_to_hold(ground) == ("nvme0n1",)
    (busy,) = findings(ground, [Refused("nvme0n1", busy=True, why="Device or resource busy")])
    assert (busy.what, busy.word) == ("disk nvme0n1", None)
    assert "exclusively" in busy.user
    (unknown,) = findings(ground, [Refused("nvme0n1", busy=False, why="No such file or directory")])
    assert unknown.word is None
    assert "could not be found out" in unknown.user


NET = Interface(name="eth0", path=f"{BELOW}/net/eth0", up=True)


@pytest.mark.parametrize(
    ("effect", "word"),
    [(Effect.RETRAINS, LINK_LOSS), (Effect.LINK_DOWN, LIVE_DATA), (Effect.SAMPLES_LIVE, LIVE_DATA)],
)
def test_an_interface_that_is_up(effect: Effect, word: str) -> None:
    uses = replace(NOTHING, interfaces=(NET,), routed=("eth0",))
    assert ("network interface eth0", "it is up, eth0 has a default route", word) in told(found(uses, effect))


def test_sampling_beside_the_data_leaves_what_is_in_use_alone() -> None:
    used = OpenDevice(process=7, command="reader", file="/dev/nvme0n1", path=DISK.paths[0])
    uses = replace(NOTHING, interfaces=(NET,), open_devices=(used,))
    assert found(uses, Effect.SAMPLES, on=target(DRIVEN)) == ()
    uses = replace(uses, block_devices=(DISK,), mounts=(mount("259:0", "/data"),), logged_in_over=("eth0",))
    assert [item.word for item in found(uses, Effect.SAMPLES)] == [None, None]


def test_an_interface_that_is_down_or_elsewhere() -> None:
    assert found(replace(NOTHING, interfaces=(replace(NET, up=False),))) == ()
    assert found(replace(NOTHING, interfaces=(replace(NET, path=f"{ELSEWHERE}/net/eth0"),))) == ()


def test_whether_it_is_up_was_not_read() -> None:
    (item,) = found(replace(NOTHING, interfaces=(replace(NET, up=None),)))
    assert item.word == LINK_LOSS


def test_no_word_covers_the_remote_logins_network_even_through_a_bond() -> None:
    bond = Interface(name="bond0", path="devices/virtual/net/bond0", up=True, uppers=("bond0.7",))
    vlan = Interface(name="bond0.7", path="devices/virtual/net/bond0.7", up=True)
    uses = replace(NOTHING, interfaces=(replace(NET, uppers=("bond0",)), bond, vlan), logged_in_over=("bond0.7",))
    assert told(found(uses)) == [("network interface eth0", "a remote login comes in over it", None)]


def test_displays() -> None:
    screen = Display(name="card0-HDMI-A-1", path=f"{BELOW}/drm/card0/card0-HDMI-A-1", kind="screen")
    console = Display(name="ttyS4", path=f"{BELOW}/tty/ttyS4", kind="console")
    assert [word for _, _, word in told(found(replace(NOTHING, displays=(screen,))))] == [LINK_LOSS]
    assert [word for _, _, word in told(found(replace(NOTHING, displays=(console,))))] == [None]
    assert [word for _, _, word in told(found(replace(NOTHING, boot_displays=(COMPONENT,))))] == [None]


def test_the_management_controllers_graphics() -> None:
    described = machine(
        root_port(PORT, "5 GT/s x1", slot=1).holds(card("5 GT/s x1", vendor=0x1A03, class_code=0x030000))
    )
    (item,) = found(on=target(described))
    assert (item.user, item.word) == ("the management controller's graphics", None)


def test_a_group_passed_through_to_a_guest() -> None:
    on = target()
    on = replace(on, below=tuple(_in_group(item, "17") for item in on.below))
    used = OpenDevice(process=42, command="qemu", file="/dev/vfio/17", group="17")
    (item,) = found(replace(NOTHING, open_devices=(used,)), on=on)
    assert (item.what, item.word) == ("IOMMU group 17", None)
    assert found(replace(NOTHING, open_devices=(replace(used, group="18"),)), on=on) == ()


def _in_group(function: FunctionFacts, group: str) -> FunctionFacts:
    return FunctionFacts(replace(function.evidence, iommu_group=group))


def test_open_files_by_driver() -> None:
    used = OpenDevice(process=7, command="reader", file="/dev/nvme0n1", path=f"{BELOW}/nvme/nvme0/nvme0n1")
    assert ("/dev/nvme0n1", "reader (process 7) has it open", LINK_LOSS) in told(
        found(replace(NOTHING, open_devices=(used,)))
    )
    passed = target(machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4", driver="uio_pci_generic"))))
    words = {what: word for what, _, word in told(found(replace(NOTHING, open_devices=(used,)), on=passed))}
    assert words["/dev/nvme0n1"] is None


DRIVEN = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4", driver="nvme")))


@pytest.mark.parametrize(
    ("effect", "words"),
    [
        (Effect.SAMPLES, []),
        (Effect.SAMPLES_LIVE, [LIVE_DATA]),
        (Effect.RETRAINS, [LINK_LOSS]),
        (Effect.RESETS_FUNCTION, [f"{BOUND}nvme"]),
        (Effect.LINK_DOWN, [LINK_LOSS, f"{BOUND}nvme"]),
        (Effect.POWER_OFF, [SLOT_POWER, f"{BOUND}nvme"]),
    ],
)
def test_what_a_driver_needs(effect: Effect, words: list[str]) -> None:
    assert [item.word for item in found(effect=effect, on=target(DRIVEN))] == words


def test_words_cover_what_they_name_and_nothing_else() -> None:
    items = found(effect=Effect.LINK_DOWN, on=target(DRIVEN))
    assert standing_in_the_way(items, [LINK_LOSS, f"{BOUND}nvme"]) == ()
    assert [item.word for item in standing_in_the_way(items, [LINK_LOSS, f"{BOUND}e1000e"])] == [f"{BOUND}nvme"]
    never = found(replace(NOTHING, block_devices=(DISK,), mounts=(mount("259:0", "/"),)))
    assert standing_in_the_way(never, [LINK_LOSS, LIVE_DATA, SLOT_POWER]) == never


def test_ports_of_a_switch_need_no_word_for_their_driver_and_all_below_is_looked_at() -> None:
    inner = port("8 GT/s x4").holds(card("8 GT/s x4", driver="nvme"))
    on = target(machine(root_port(PORT, "16 GT/s x8", slot=1).holds(switch("16 GT/s x8", inner))))
    assert [(item.what, item.word) for item in found(on=on)] == [("function 0000:03:00.0", LINK_LOSS)]


def test_memory_that_the_system_may_use() -> None:
    described = machine(
        root_port(PORT, "32 GT/s x8", slot=1).holds(card("32 GT/s x8", class_code=0x050210, driver="cxl_pci"))
    )
    (item,) = found(on=target(described))
    assert item.word is None


def test_virtual_functions_in_use() -> None:
    physical = Function(best=State(8.0, 4), attributes={"sriov_numvfs": "4"})
    on = target(machine(root_port(PORT, "8 GT/s x4", slot=1).holds(Component(functions=(physical,)))))
    (item,) = found(on=on)
    assert (item.user, item.word) == ("4 virtual functions", None)


def test_what_the_machine_rests_on() -> None:
    for kind in ("watchdog", "tpm"):
        uses = replace(NOTHING, platform=(PlatformDevice("x0", f"{BELOW}/{kind}/x0", kind),))
        assert [item.word for item in found(uses)] == [None]


def test_the_disk_that_crashes_are_written_to() -> None:
    below = replace(PART, holders=("dm-0",))
    uses = replace(NOTHING, block_devices=(DISK, below, virtual("dm-0", "254:0", title="crash")))
    for name in ("nvme0n1", "nvme0n1p2", "dm-0"):
        users = told(found(replace(uses, crash_dump=CrashDump(devices=(name,)))))
        assert [word for _, user, word in users if "crashes are written to it" in user] == [None]
    elsewhere = replace(uses, crash_dump=CrashDump(devices=("sda1",)))
    assert [user for _, user, _ in told(found(elsewhere)) if "crashes" in user] == []


def test_where_crashes_go_was_not_found_out() -> None:
    uses = replace(NOTHING, crash_dump=CrashDump(unknown="nobody knows"))
    (item,) = found(uses)  # the made-up card is a storage controller
    assert (item.word, "crashes may be written through it: nobody knows" in item.user) == (None, True)
    screen = machine(root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8", class_code=0x120000)))
    assert found(uses, on=target(screen)) == ()


def test_another_test_lockdown_and_a_driver_that_margins() -> None:
    for uses in (
        replace(NOTHING, tests=("process 9: linkprobe soak",)),
        replace(NOTHING, lockdown="integrity"),
        replace(NOTHING, kernel_margining=(COMPONENT,)),
    ):
        assert [item.word for item in found(uses)] == [None]


def test_what_could_not_be_found_out_counts_as_in_use() -> None:
    uses = replace(NOTHING, unread=(Unread("proc/self/mountinfo", Why.DENIED, "Permission denied"),))
    (item,) = found(uses)
    assert item.word is None
    assert "not all users could be found" in item.user


def test_a_link_taken_down_is_named_with_what_makes_it_worse() -> None:
    bare = target(machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4"))))
    users = [item.user for item in found(effect=Effect.LINK_DOWN, on=bare, firmware="_OSC: ...")]
    assert len(users) == 3
    assert {item.word for item in found(effect=Effect.LINK_DOWN, on=bare)} == {LINK_LOSS}


def test_tunnels_are_never_tested() -> None:
    described = machine(
        root_port(PORT, "2.5 GT/s x4", attributes={"removable": "removable"}).holds(card("2.5 GT/s x4"))
    )
    assert None in {item.word for item in found(on=target(described))}
