"""One soak of all that a host has, in a real kernel: two drives and a network card loaded at once, trouble in two links.

Then soaks of the same loads killed at any moment: nothing goes on running, the ports are given back, no record passed.
"""

from pathlib import Path

import pytest

from tests.guest import emulator
from tests.guest.test_soak import disk, document, nvme

pytestmark = pytest.mark.guest
KILLS = 3
PORTS = """
-device pcie-root-port,id=rp4,bus=pcie.0,chassis=14,slot=14,addr=14.0
-netdev hubport,id=n1,hubid=0 -device e1000e,bus=rp4,netdev=n1,mac=52:54:00:00:00:01
-device pcie-root-port,id=rp5,bus=pcie.0,chassis=15,slot=15,addr=15.0
-netdev hubport,id=n2,hubid=0 -device e1000e,bus=rp5,netdev=n2,mac=52:54:00:00:00:02
"""
ERRING, TAKEN, NEAR, FAR = "0000/0/10.0", "0000/0/11.0", "0000/0/14.0", "0000/0/15.0"

# What is done to the machine comes once the journal holds what it needs, and the soak ends after it: no limit of time. Loads
# work in step, so that three more passes of one are further phases of all, and each has met its target anew.
JOB = f"""
    modprobe aer_inject 2>/dev/null || true
    loads="--load storage-read --load network:eth0-eth1 --rate 4000000 --interval 0.5"
    record=/out/together.jsonl
    holds() {{ until [ "$(grep -c "$2" $record 2>/dev/null)" -ge "$1" ] 2>/dev/null; do sleep 0.3; done; }}
    cat > /out/inject.py <<'PYTHON'
import struct, time
record = struct.pack("<BBBBII4II", 0, 0x10, 0, 0, 0, 1 << 6, 4, 3, 2, 1, 0)
for _ in range(7):
    for _ in range(50):
        try:
            with open("/dev/aer_inject", "wb", buffering=0) as file:
                file.write(record)
            break
        except OSError:
            time.sleep(0.2)  # the interrupt of the one before has to be taken
    time.sleep(0.3)
PYTHON
    (holds 2 '"pass".*nvme1n1'; holds 3 '"pass".*eth1'; python3 /out/inject.py
     echo 1 > /sys/bus/pci/devices/0000:02:00.0/remove; holds 1 '"gone"'
     echo 1 > /sys/bus/pci/rescan; holds 1 '"back"'
     passes=$(grep -c '"pass".*eth1' $record); holds $((passes + 3)) '"pass".*eth1'; touch /out/over) &
    linkprobe soak $loads --json -o $record \\
        -- sh -c 'until [ -e /out/over ]; do sleep 0.3; done' > /out/together.json 2> /out/errors
    echo $? > /out/together.status
    cd {emulator.TOP}
    python=$(sed -n '1s/^#!//p' "$(command -v linkprobe)")
    mkdir /tmp/killed
    $python -m tests.soak.killing /tmp/killed {KILLS} 9 soak $loads --minutes 5 > /out/killed.json
    for number in $(seq 0 {KILLS - 1}); do
        linkprobe soak close /tmp/killed/r$number.jsonl --json > /out/closed-$number.json 2>> /out/errors
        echo $? > /out/closed-$number.status
    done
    cat /sys/class/net/eth0/operstate /sys/class/net/eth1/operstate > /out/ports
"""


@pytest.fixture(scope="module")
def driven(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("together")
    found = emulator.boot([*nvme(0, disk(out / "one", 64)), *nvme(1, disk(out / "two", 64)), *PORTS.split()], JOB, out)
    assert (out / "ports").exists(), found.log
    return out


def test_the_record_blames_the_links_that_had_trouble_and_no_other(driven: Path) -> None:
    found = document(driven / "together.json")
    links = {link["place"]: link for link in found["links"]}
    assert {place: link["result"] for place, link in links.items()} == {
        ERRING: "failed", TAKEN: "failed", NEAR: "passed", FAR: "passed",
    }  # fmt: skip
    assert all(link["loaded"] for link in links.values())
    (why,) = links[ERRING]["reasons"]
    assert "7 correctable errors; suspect component to host" in why
    assert [item["events"] for place in links for item in links[place]["errors"]] == [7]
    (why,) = links[TAKEN]["reasons"]
    assert why.endswith("the component is gone")
    assert (driven / "together.status").read_text().strip() == "2"


def test_the_one_that_was_taken_out_is_told_as_back(driven: Path) -> None:
    found = document(driven / "together.json")
    kinds = [(event["kind"], event["place"]) for event in found["events"] if event["kind"] in {"gone", "back"}]
    assert kinds == [("gone", TAKEN), ("back", TAKEN)]


def test_only_the_load_of_the_one_that_went_fails(driven: Path) -> None:
    found = document(driven / "together.json")
    failures = [item["failure"] for item in found["load_results"] if item["failure"]]
    assert len(failures) == 1, failures
    assert failures[0].startswith("/dev/nvme1n1: ")
    assert {item["target"] for item in found["carriage"]} == {"eth0", "eth1", "/dev/nvme0n1", "/dev/nvme1n1"}
    assert found["mismatches"] == []


def test_after_a_kill_nothing_goes_on_and_the_ports_are_given_back(driven: Path) -> None:
    assert document(driven / "killed.json") == {f"r{number}.jsonl": [] for number in range(KILLS)}
    assert (driven / "ports").read_text().split() == ["down", "down"]


def test_no_record_of_a_killed_soak_passed(driven: Path) -> None:
    judged = 0
    for number in range(KILLS):
        status = (driven / f"closed-{number}.status").read_text().strip()
        if status == "64":  # killed before its start was whole
            assert (driven / f"closed-{number}.json").read_text() == ""
            continue
        judged += 1
        found = document(driven / f"closed-{number}.json")
        assert (found["result"], found["complete"], status) == ("inconclusive", False, "3")
    assert judged
