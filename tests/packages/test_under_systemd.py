"""The Debian package in an emulated machine whose init is systemd: what an administrator has after installing it."""

import json
import os
import subprocess
from pathlib import Path

import msgspec
import pytest

from probe.documents.files import read_snapshot
from probe.evidence import Evidence
from tests.guest import emulator
from tests.packages.conftest import Make
from tests.packages.manual import lines_of
from tests.packages.trees import Tree, fresh

pytestmark = [pytest.mark.packages, pytest.mark.guest]

TIMEOUT_S = 1800
TOPOLOGY = [
    "-device",
    "pcie-root-port,id=rp1,bus=pcie.0,chassis=1,slot=1,addr=10.0",
    "-drive",
    "file=null-co://,if=none,id=d1,format=raw",
    "-device",
    "nvme,bus=rp1,drive=d1,serial=s1",
    "-device",
    "pcie-root-port,id=rp2,bus=pcie.0,chassis=2,slot=2,addr=11.0",
    "-device",
    "e1000e,bus=rp2",
]
UNIT = """\
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'sh /out/job > /out/log 2>&1; echo $? > /out/status; sync; systemctl poweroff --force --force'
"""
SOON = "[Timer]\nOnBootSec=\nOnBootSec=1s\nRandomizedDelaySec=0\nAccuracySec=1s\n"
DIRECTORY = "/srv/agent"
_UNIT_WORDS, _SETTING = lines_of(
    "linkprobe-collect", "Where the node agent follows no symbolic links", 1, DIRECTORY=DIRECTORY
).split("\n\n")
_OPENED = lines_of("linkprobe-collect", "Where the node agent follows no symbolic links", DIRECTORY=DIRECTORY)
_GROUP = lines_of("linkprobe-collect", "Where others may read the spool", GROUP="adm")
JOB = f"""
set -eu
spool=/var/lib/linkprobe/spool
service=linkprobe-collect.service
state() {{ systemctl show "$service" -p Result -p ExecMainStatus -p ActiveState > "/out/$1"; }}
run() {{ systemctl start "$service" || echo "$1: $service failed"; state "$1"; }}

for _ in $(seq 120); do
    if ls $spool/*.json.gz >/dev/null 2>&1 && ! systemctl is-active --quiet "$service"; then break; fi
    sleep 1
done
systemctl show linkprobe-collect.timer -p LastTriggerUSec -p ActiveState > /out/timer
state first
cp $spool/*.json.gz /out/sandboxed.json.gz
cp /var/lib/linkprobe/linkprobe.prom /out/first.prom
linkprobe snapshot -o /out/root.json.gz

{{
{lines_of("linkprobe-collect", "Let it run once, and look at what it says")}
}} > /out/looked 2>&1
mkdir /srv/textfile
{lines_of("linkprobe-collect", "Let the node agent see the metrics", DIRECTORY="/srv/textfile")}
su nobody -s /bin/sh -c 'cat /srv/textfile/linkprobe.prom' > /out/followed.prom

for drive in /sys/bus/pci/devices/*; do
    if [ "$(cat $drive/class)" = 0x010802 ]; then echo 1 > $drive/remove; fi
done
run gone

sed -i 's#^metrics = .*#{_SETTING.strip()}#' /etc/linkprobe/config.toml
run absent
mkdir {DIRECTORY}
chown 65534 {DIRECTORY}
run foreign

edit() {{  # in the place of an editor: the words of the manual
    mkdir -p "/etc/systemd/system/$1.d"
    cat >> "/etc/systemd/system/$1.d/override.conf"
    systemctl daemon-reload
}}
{_OPENED.replace("systemctl edit", "edit").rstrip()} <<'END'
{_UNIT_WORDS}
END
run opened
cp {DIRECTORY}/linkprobe.prom /out/opened.prom

sed -i 's/^# group = .*/group = "adm"/' /etc/linkprobe/config.toml
run nogroup
edit linkprobe-collect.service <<'END'
{_GROUP}
END
run group
stat -c '%G %a' $spool $(ls -d $spool/*.json.gz | tail -1) > /out/rights
ls $spool > /out/spool
journalctl -u "$service" -o cat --no-pager > /out/journal
"""
DELIVERY = """
fleet=/var/lib/linkprobe-fleet
install -d -o linkprobe -g linkprobe -m 750 $fleet/spools/host
install -d -o linkprobe -g linkprobe -m 700 $fleet/.ssh
ssh-keygen -q -t ed25519 -N '' -f /etc/linkprobe/deliver.key
printf 'command="rrsync -wo spools/host",restrict ' | cat - /etc/linkprobe/deliver.key.pub > $fleet/.ssh/authorized_keys
chown linkprobe $fleet/.ssh/authorized_keys
printf '127.0.0.1 ' | cat - /etc/ssh/ssh_host_ed25519_key.pub > /etc/linkprobe/deliver.known_hosts
mkdir -p /etc/systemd/system/linkprobe-deliver.service.d
cat > /etc/systemd/system/linkprobe-deliver.service.d/override.conf <<END
[Service]
Environment=DESTINATION=linkprobe@127.0.0.1:
ExecStartPre=/bin/sh -c 'cat /etc/shadow /etc/ssh/ssh_host_ed25519_key | wc -c >&2; ls /var /var/lib >&2'
END
systemctl daemon-reload
systemctl start ssh || { journalctl -u ssh -o cat --no-pager | tail -5; exit 1; }
for service in linkprobe-deliver.service linkprobe-fleet-ingest.service linkprobe-fleet-compact.service; do
    run ${service%.service}
    journalctl -u $service -o cat --no-pager > /out/${service%.service}.journal
    ls $fleet/spools/host > /out/${service%.service}.left
done
linkprobe fleet history "$(hostname)" --store $fleet/store --format json > /out/history.json || true
ssh -i /etc/linkprobe/deliver.key -o UserKnownHostsFile=/etc/linkprobe/deliver.known_hosts -o BatchMode=yes \\
    linkprobe@127.0.0.1 cat /etc/passwd > /out/refused 2>&1 || true
"""


@pytest.fixture(scope="session")
def lived(once: Make, debs: Path) -> Path:
    """What the machine left behind after the job above."""
    lacking = emulator.missing()
    if lacking and os.environ.get("LINKPROBE_GUEST") != "required":
        pytest.skip(f"the guest needs {', '.join(lacking)}")
    return once("systemd", lambda folder: live(folder, debs)) / "out"


def live(folder: Path, debs: Path) -> None:
    """Boot a tree that has the package, and let it do the job."""
    out = folder / "out"
    out.mkdir(parents=True)
    (out / "job").write_text(JOB + DELIVERY)
    with fresh("bookworm", folder) as tree:
        tree.run(
            "dpkg", "-i", *(tree.take(next(debs.glob(f"{name}_*.deb"))) for name in ("linkprobe", "linkprobe-fleet"))
        )
        prepared(tree)
        command = emulator.command(TOPOLOGY, out, append="guest_init=/lib/systemd/systemd", root=tree.root)
        subprocess.run(command, check=True, timeout=TIMEOUT_S, capture_output=True)
    found = emulator.finished(out)
    assert found.status == 0, found.log + (out / "console").read_text(errors="replace")[-3000:]


def prepared(tree: Tree) -> None:
    """The job as a unit, and the timer's first run soon after boot instead of after minutes."""
    units = tree.root / "etc/systemd/system"
    (units / "job.service").write_text(UNIT)
    (units / "multi-user.target.wants").mkdir(exist_ok=True)
    (units / "multi-user.target.wants/job.service").symlink_to("../job.service")
    (units / "linkprobe-collect.timer.d").mkdir()
    (units / "linkprobe-collect.timer.d/soon.conf").write_text(SOON)


def state(lived: Path, name: str) -> dict[str, str]:
    return dict(line.split("=", 1) for line in (lived / name).read_text().splitlines())


def test_the_timer_fires_without_being_asked(lived: Path) -> None:
    timer = state(lived, "timer")
    assert timer["ActiveState"] == "active"
    assert timer["LastTriggerUSec"] not in {"", "n/a"}
    assert state(lived, "first") == {"Result": "success", "ExecMainStatus": "0", "ActiveState": "inactive"}
    assert 'linkprobe_link_below_capability{place="0000/0/10.0"}' in (lived / "first.prom").read_text()


def test_the_closed_service_sees_what_root_sees(lived: Path) -> None:
    """Every capability, protection and filter of the unit, and not a byte of evidence less."""

    def lasting(name: str) -> Evidence:
        evidence = read_snapshot(str(lived / name)).evidence
        host = msgspec.structs.replace(evidence.host, taken_at="", uptime_s=None, load_average=None)
        return msgspec.structs.replace(evidence, host=host, kernel_log=())

    assert lasting("sandboxed.json.gz") == lasting("root.json.gz")
    evidence = read_snapshot(str(lived / "sandboxed.json.gz")).evidence
    assert evidence.kernel_log
    assert evidence.unread == ()
    assert max(max(int(start, 16) for start in item.config) for item in evidence.functions if item.config) >= 0x100


def test_the_manuals_way_from_zero_to_the_first_metric(lived: Path) -> None:
    """The lines of linkprobe-collect(1) as they stand there; the metric as the node agent's user reads it."""
    looked = (lived / "looked").read_text()
    assert "Finished linkprobe-collect.service" in looked
    assert "# HELP linkprobe_" in looked
    assert "linkprobe_collect_timestamp_seconds" in (lived / "followed.prom").read_text()


def test_findings_do_not_fail_the_unit(lived: Path) -> None:
    assert state(lived, "gone") == {"Result": "success", "ExecMainStatus": "2", "ActiveState": "inactive"}
    assert "urgent" in (lived / "journal").read_text()


def test_a_directory_that_is_not_there_or_not_ours_costs_only_the_metrics(lived: Path) -> None:
    for name in ("absent", "foreign"):
        assert state(lived, name)["Result"] == "success"
    told = [line for line in (lived / "journal").read_text().splitlines() if "metrics were not written" in line]
    assert len(told) == 2
    assert "/srv/agent/linkprobe.prom: cannot be written (No such file or directory)" in told[0]
    assert "/srv/agent/linkprobe.prom: cannot be written (Read-only file system)" in told[1]
    assert len((lived / "spool").read_text().splitlines()) == 7


def test_the_manuals_way_to_open_a_directory_opens_it(lived: Path) -> None:
    assert state(lived, "opened")["Result"] == "success"
    assert "linkprobe_collect_timestamp_seconds" in (lived / "opened.prom").read_text()


def test_a_group_may_read_the_spool_where_the_unit_is_a_member_of_it(lived: Path) -> None:
    assert state(lived, "nogroup")["ExecMainStatus"] == "64"
    assert "Operation not permitted" in (lived / "journal").read_text()
    assert state(lived, "group")["Result"] == "success"
    assert (lived / "rights").read_text() == "adm 750\nadm 640\n"


def test_snapshots_are_delivered_over_ssh_and_taken_into_the_store(lived: Path) -> None:
    """By the units as shipped, and the words of linkprobe-fleet(1)."""
    for name in ("linkprobe-deliver", "linkprobe-fleet-ingest", "linkprobe-fleet-compact"):
        assert state(lived, name)["Result"] == "success", (lived / f"{name}.journal").read_text()
    spool = (lived / "spool").read_text().splitlines()
    assert (lived / "linkprobe-deliver.left").read_text().splitlines() == spool
    assert (lived / "linkprobe-fleet-ingest.left").read_text() == ""
    rows = json.loads((lived / "history.json").read_text())
    assert {row["verdict"] for row in rows} == {"full", "empty"}, "the drive was taken out while it was collected"


def test_what_delivers_sees_nothing_but_the_spool_and_its_key_opens_nothing_else(lived: Path) -> None:
    seen = (lived / "linkprobe-deliver.journal").read_text()
    assert "\n0\n/var:\nlib\ntmp\n/var/lib:\nlinkprobe\nlinkprobe-deliver\nprivate\n" in seen
    assert "root:" not in (lived / "refused").read_text()
