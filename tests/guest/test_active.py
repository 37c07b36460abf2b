"""Active tests in a real kernel: whom they refuse to touch, resets with the device alive after, what was not observed,
a run killed in the middle and put back, and that no other command opens anything under /sys for writing.

The emulated port ignores Retrain Link and holds Target Link Speed read-only; its resets are the kernel's own.
"""

import json
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from probe.cli.commands import COMMANDS
from tests.guest import emulator

pytestmark = pytest.mark.guest
MIB = 1 << 20
MOUNTED, MEMBER, FREE, NETWORK = (f"0000:00:{number:x}.0" for number in range(0x10, 0x14))
NATIVE_HOT_PLUG = ["-global", "ICH9-LPC.acpi-pci-hotplug-with-bridge-support=off"]

PRELUDE = """
    lp() { python -m probe "$@"; }
    run() { name=$1; shift; lp "$@" > /out/$name.out 2> /out/$name.err; echo $? > /out/$name.status; }
    at() { basename $(ls -d /sys/bus/pci/devices/$1/????:??:??.?); }
    alive() { dd if=/dev/$1 of=/dev/null bs=1M count=4 iflag=direct 2>/dev/null && echo alive >> /out/alive; }
"""


def disk(path: Path, *, file_system: bool = False) -> Path:
    with path.open("wb") as file:
        file.truncate(48 * MIB)
    if file_system:
        subprocess.run(["mkfs.ext4", "-q", "-F", path], check=True, capture_output=True)
    return path


def devices(out: Path) -> list[str]:
    """Ports of 5 GT/s: of a faster one the kernel waits for Link Active after a reset, which this emulator shows under
    native hot-plug alone."""
    found = []
    for number in range(3):
        image = disk(out / f"disk{number}", file_system=number == 0)
        found += [
            "-device", f"pcie-root-port,id=rp{number},bus=pcie.0,chassis={number + 1},slot={number + 1},"
            f"addr={0x10 + number:x}.0,x-speed=5,x-width=4",
            "-drive", f"file={image},if=none,id=d{number},format=raw",
            "-device", f"nvme,bus=rp{number},drive=d{number},serial=serial-{number}",
        ]  # fmt: skip
    return [
        *found, "-device", "pcie-root-port,id=rp3,bus=pcie.0,chassis=4,slot=4,addr=13.0,x-speed=5", "-device", "e1000e,bus=rp3",
    ]  # fmt: skip


JOB = f"""
    {PRELUDE}
    mkdir -p /mnt && mount -t ext4 /dev/nvme0n1 /mnt
    run mounted train {MOUNTED} --times 2 --go --accept link-loss --accept live-data
    run raw soak --minutes 0.01 --load storage-round-trip:/dev/nvme0n1 --raw serial-0 -o /out/raw.jsonl
    run mounted-plan train {MOUNTED} --json
    cat > /tmp/as-root <<'END'
    for name in $(ls /); do
        [ $name = mnt ] && continue
        if [ -L /$name ]; then cp -a /$name /mnt/; else mkdir -p /mnt/$name && mount --rbind /$name /mnt/$name; fi
    done
    cd /mnt && mkdir -p before && pivot_root . before && cd {emulator.TOP}
    findmnt -no SOURCE / > /out/root
    python -m probe train {MOUNTED} --go --accept link-loss 2> /out/root-disk.err; echo $? > /out/root-disk.status
END
    unshare -m sh /tmp/as-root

    echo md9 > /sys/module/md_mod/parameters/new_array
    cd /sys/block/md9/md
    echo 1.2 > metadata_version; echo none > metadata_version
    echo raid1 > level; echo 2 > raid_disks; cat /sys/block/nvme1n1/dev > new_dev
    echo 0 > dev-nvme1n1/slot; echo 40000 > component_size; echo active > array_state
    cat array_state > /out/array
    cd {emulator.TOP}
    run member train {MEMBER} --way bus-reset --times 1 --go --accept link-loss --accept bound:nvme --accept live-data

    ip link set eth0 up
    run network train {NETWORK} --way bus-reset --times 1 --go --accept link-loss --accept bound:e1000e
    SSH_CONNECTION="10.9.8.7 1234 10.9.8.1 22" ; export SSH_CONNECTION
    ip addr add 10.9.8.1/24 dev eth0
    run login train {NETWORK} --times 1 --go --accept link-loss --accept live-data
    unset SSH_CONNECTION
    ip addr flush dev eth0; ip link set eth0 down

    python -c 'import os, time; os.open("/dev/nvme2n1", os.O_RDONLY | os.O_EXCL); open("/out/held", "w"); time.sleep(600)' &
    holder=$!
    while [ ! -e /out/held ]; do sleep 0.1; done
    run held train {FREE} --times 1 --go --accept link-loss --accept live-data
    kill $holder; wait $holder 2>/dev/null

    run plan train {FREE}
    run unworded train {FREE} --times 1 --go
    run ignored train {FREE} --times 3 --go --accept link-loss --json
    alive nvme2n1
    run slower speeds {FREE} --seconds 0.2 --go --accept link-loss --json
    run reset-disk train {FREE} --way bus-reset --times 2 --go --accept link-loss --accept bound:nvme --json
    alive nvme2n1
    run reset-function train {FREE} --way function-reset --times 2 --go --accept bound:nvme --json
    alive nvme2n1
    run reset-network train {NETWORK} --way bus-reset --times 2 --go --accept link-loss --accept bound:e1000e --json
    ip link set eth0 up && ip -o link show eth0 > /out/network-after
    ip link set eth0 down

    for end in {FREE} $(at {FREE}); do echo auto > /sys/bus/pci/devices/$end/power/control; done
    cat /sys/bus/pci/devices/{FREE}/power/control > /out/control-before
    python -m probe train {FREE} --times 100000 --go --accept link-loss > /dev/null 2>&1 &
    sleep 0.2
    while [ "$(cat /sys/bus/pci/devices/{FREE}/power/control)" != on ]; do sleep 0.1; done
    kill -9 $!
    wait $! 2>/dev/null
    cat /sys/bus/pci/devices/{FREE}/power/control > /out/control-killed
    run after-kill train {FREE} --times 1 --go --accept link-loss
    run put-back put-back --json
    for end in {FREE} $(at {FREE}); do cat /sys/bus/pci/devices/$end/power/control; done > /out/control-after
    run nothing-left put-back
    umount /mnt

    mount -t tracefs tracefs /sys/kernel/tracing
    python - > /out/counted <<'END'
import subprocess
from probe.observe.link_events import TRACING, LinkEvents
events = LinkEvents("/bin/true", TRACING, "sched/sched_process_exec")
for name in ("/bin/true", "/bin/false", "/bin/true"):
    subprocess.run([name])
print(events.offered, events.count())
print(LinkEvents("0000:00:10.0").count())
END
    setpriv --bounding-set -sys_admin --inh-caps -sys_admin \
        python -m probe train {FREE} --go --accept link-loss > /dev/null 2> /out/weak.err
    echo $? > /out/weak.status
    mount -t securityfs securityfs /sys/kernel/security
    echo integrity > /sys/kernel/security/lockdown
    run locked train {FREE} --times 1 --go --accept link-loss
    run locked-plan train {FREE} --json
"""


@pytest.fixture(scope="module")
def seen(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("active")
    found = emulator.boot(devices(out), JOB, out)
    assert (out / "locked-plan.status").exists(), found.log
    return out


def status(out: Path, name: str) -> int:
    return int((out / f"{name}.status").read_text())


def told(out: Path, name: str) -> str:
    return " ".join((out / f"{name}.err").read_text().split())


def document(out: Path, name: str) -> Any:
    return json.loads((out / f"{name}.out").read_text())


def test_a_mounted_disk_is_refused_whatever_is_accepted(seen: Path) -> None:
    assert status(seen, "mounted") == 64
    assert "disk nvme0n1: mounted on /mnt" in told(seen, "mounted")
    plan = document(seen, "mounted-plan")
    assert (status(seen, "mounted-plan"), plan["refused"]) == (64, True)


def test_a_soak_does_not_overwrite_a_disk_in_use(seen: Path) -> None:
    assert status(seen, "raw") == 64
    assert "/dev/nvme0n1: is in use" in told(seen, "raw")


def test_the_root_disk_is_refused(seen: Path) -> None:
    assert (seen / "root").read_text().strip() == "/dev/nvme0n1"
    assert status(seen, "root-disk") == 64
    assert "disk nvme0n1: the system's root" in told(seen, "root-disk")


def test_a_member_of_an_array_is_refused(seen: Path) -> None:
    assert (seen / "array").read_text().strip() in {"active", "clean", "write-pending", "active-idle"}
    assert status(seen, "member") == 64
    assert "disk nvme1n1: a part of md9" in told(seen, "member")
    assert "holds it exclusively" in told(seen, "member")


def test_a_disk_that_somebody_holds_is_refused_by_the_kernels_own_word(seen: Path) -> None:
    assert status(seen, "held") == 64
    assert "disk nvme2n1: something holds it exclusively" in told(seen, "held")


def test_a_network_in_use_is_refused_and_that_of_a_login_has_no_word(seen: Path) -> None:
    assert status(seen, "network") == 64
    assert "network interface eth0: it is up" in told(seen, "network")
    assert "--accept live-data" in told(seen, "network")
    assert status(seen, "login") == 64
    assert "a remote login comes in over it" in told(seen, "login")


def test_the_plan_names_everything_and_a_driver_needs_its_word(seen: Path) -> None:
    plan = " ".join((seen / "plan.out").read_text().split())
    assert status(seen, "plan") == 0
    assert "Retrain Link in Link Control: clear -> set" in plan
    assert "driver nvme" in plan
    assert "--go --accept link-loss" in plan
    assert status(seen, "unworded") == 64
    assert "--accept link-loss" in told(seen, "unworded")


def test_a_retrain_that_the_port_ignores_was_not_observed(seen: Path) -> None:
    found = document(seen, "ignored")
    (link,) = found["links"]
    assert (status(seen, "ignored"), found["result"], found["restored"]) == (3, "inconclusive", True)
    assert (link["of"], [item["observed_training"] for item in link["attempts"]]) == (0, [False] * 3)
    assert all(item["came_up"] for item in link["attempts"])


def test_a_target_speed_that_the_port_holds_says_nothing(seen: Path) -> None:
    found = document(seen, "slower")
    assert (status(seen, "slower"), found["result"], found["restored"]) == (3, "inconclusive", True)


@pytest.mark.parametrize("name", ["reset-disk", "reset-network", "reset-function"])
def test_resets_leave_the_device_alive(seen: Path, name: str) -> None:
    found = document(seen, name)
    (link,) = found["links"]
    assert found["restored"] is True
    assert [(item["came_up"], item["problem"]) for item in link["attempts"]] == [(True, None)] * 2
    assert status(seen, name) == 3  # the emulator shows nothing of a training


def test_what_is_below_still_works(seen: Path) -> None:
    assert (seen / "alive").read_text().split() == ["alive"] * 3
    assert "UP" in (seen / "network-after").read_text()


def test_killed_in_the_middle_put_back_heals(seen: Path) -> None:
    assert (seen / "control-before").read_text().strip() == "auto"
    assert (seen / "control-killed").read_text().strip() == "on"
    assert status(seen, "after-kill") == 64
    assert "run: linkprobe put-back" in told(seen, "after-kill")
    found = document(seen, "put-back")
    assert (status(seen, "put-back"), found["leftovers"]) == (0, [])
    assert found["put_back"] >= 2
    assert (seen / "control-after").read_text().split() == ["auto", "auto"]
    assert (seen / "nothing-left.out").read_text().strip() == "Nothing was left behind."


def test_the_kernel_counts_the_events_that_a_filter_names(seen: Path) -> None:
    """By an event that this kernel has, since it has none of links: two of three programs are the one that was named."""
    assert (seen / "counted").read_text().splitlines() == ["True 2", "None"]


def test_without_rights_it_is_one_sentence(seen: Path) -> None:
    assert status(seen, "weak") == 64
    assert len((seen / "weak.err").read_text().splitlines()) == 1
    assert "run as root" in told(seen, "weak")


def test_under_lockdown_it_is_refused_before_anything_is_tried(seen: Path) -> None:
    assert status(seen, "locked") == 64
    assert "kernel lockdown (integrity): configuration space cannot be written" in told(seen, "locked")
    assert document(seen, "locked-plan")["refused"] is True


HOT_PLUG = f"""
    {PRELUDE}
    run reset train {FREE} --way bus-reset --times 2 --go --accept link-loss --accept bound:nvme --json
    alive nvme2n1
    cat /sys/bus/pci/devices/$(at {FREE})/reset_method > /out/method-after
    run power-plan train {FREE} --way slot-power
    run power train {FREE} --way slot-power --times 3 --go --accept slot-power --accept bound:nvme --json
    run left put-back
    run forgotten put-back --forget
"""


@pytest.fixture(scope="module")
def hot(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("hot-plug")
    found = emulator.boot([*devices(out), *NATIVE_HOT_PLUG], HOT_PLUG, out)
    assert (out / "forgotten.status").exists(), found.log
    return out


def test_below_a_hot_plug_port_of_an_older_kernel_the_function_is_reset_by_bus(hot: Path) -> None:
    """Linux 6.1: reset_subordinate would have the hot-plug driver take the disk away in mid-reset."""
    found = document(hot, "reset")
    (link,) = found["links"]
    assert link["means"] == "the kernel's reset of the function (by bus)"
    assert [(item["came_up"], item["kind"]) for item in link["attempts"]] == [(True, link["attempts"][0]["kind"])] * 2
    assert found["restored"] is True
    assert (hot / "alive").read_text().split() == ["alive"]
    assert len((hot / "method-after").read_text().split()) > 1  # flr and others, as before


def test_a_device_that_does_not_come_back_from_power_off_is_urgent_and_ends_it(hot: Path) -> None:
    """The emulator takes a device away for good when its slot loses power."""
    assert "wear its hot-swap switch" in " ".join((hot / "power-plan.out").read_text().split())
    found = document(hot, "power")
    (link,) = found["links"]
    assert status(hot, "power") == 2
    assert (len(link["attempts"]), link["attempts"][0]["came_up"], link["back"]) == (1, False, False)
    assert link["stopped"]
    assert not found["restored"]
    assert status(hot, "left") == 2
    assert status(hot, "forgotten") == 2


OPENED = re.compile(r'open(?:at2?)?\((?:[^"]*, )?"([^"]+)", (?:\{flags=)?([A-Z_|]+)')
WRITING = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|O_TRUNC|O_APPEND")
READERS = {
    "audit": "audit --json", "explain": f"explain {FREE}", "snapshot": "snapshot -o /out/shot.json", "log": "log",
    "report": "report /out/shot.json -o /out/page.html", "demo": "demo", "self-check": "self-check",
    "diff": "diff /out/shot.json /out/shot.json", "history": "history /out/shot.json /out/shot.json",
    "expect": "expect write -o /out/expect.toml", "soak": "soak --minutes 0.02 -o /out/soak.jsonl",
    "watch": "watch --minutes 0.02", "collect": "collect --spool /out/spool --metrics /out/metrics.prom",
    "fleet": "fleet --help", "schema": "schema", "decode": "decode /sys/bus/pci/devices/" + FREE + "/config",
    "ceiling": "ceiling 16 x4", "ratio": "ratio 16 4", "train": f"train {FREE}", "speeds": f"speeds {FREE}",
    "put-back": "put-back", "margin": f"margin {FREE}", "capture-script": "capture-script",
    "completion": "completion bash", "batch": "batch /out/shot.json /out/shot.json",
    "qualify": "qualify --write-plan -o /out/plan.toml", "verify": "verify /out/shot.json",
    "where": "where 00-00 /out/shot.json", "paths": "paths",
}  # fmt: skip
TRACED = PRELUDE + "".join(
    f"""
    strace -f --seccomp-bpf -qq -e trace=open,openat,openat2,creat -o /out/trace.{name} python -m probe {line} > /dev/null 2>&1
    """
    for name, line in {**READERS, "go": f"train {FREE} --times 1 --go --accept link-loss"}.items()
)


@pytest.fixture(scope="module")
def traced(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("traced")
    emulator.boot(devices(out), TRACED, out)
    return out


def test_a_run_with_go_opens_for_writing_what_the_tables_have_and_nothing_else(traced: Path) -> None:
    """Also shows that the trace would see it."""
    lines = (traced / "trace.go").read_text().splitlines()
    opened = [match.groups() for line in lines if (match := OPENED.search(line))]
    written = {path for path, flags in opened if path.startswith("/sys") and WRITING.search(flags)}
    assert written == {f"/sys/bus/pci/devices/{FREE}/config"}


def test_every_command_is_traced() -> None:
    assert {row.name for row in COMMANDS} == set(READERS)


@pytest.mark.parametrize("name", sorted(READERS))
def test_no_command_without_go_opens_anything_under_sys_for_writing(traced: Path, name: str) -> None:
    lines = (traced / f"trace.{name}").read_text().splitlines()
    opened = [match.groups() for line in lines if (match := OPENED.search(line))]
    assert any(path.endswith(".py") or ".pyc" in path for path, _ in opened), "nothing was traced"
    assert [path for path, flags in opened if path.startswith("/sys") and WRITING.search(flags)] == []
    assert not any("creat(" in line and '"/sys' in line for line in lines)
