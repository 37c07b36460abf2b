"""Two network ports with a cable between them, in a real kernel: loaded, verified and judged; one alone says what it lacks."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.guest import emulator

pytestmark = pytest.mark.guest
PORTS = """
-device pcie-root-port,id=rp1,bus=pcie.0,chassis=1,slot=1,addr=10.0
-netdev hubport,id=n1,hubid=0 -device e1000e,bus=rp1,netdev=n1,mac=52:54:00:00:00:01
-device pcie-root-port,id=rp2,bus=pcie.0,chassis=2,slot=2,addr=11.0
-netdev hubport,id=n2,hubid=0 -device e1000e,bus=rp2,netdev=n2,mac=52:54:00:00:00:02
-device pcie-root-port,id=rp3,bus=pcie.0,chassis=3,slot=3,addr=12.0
-device e1000e,bus=rp3,mac=52:54:00:00:00:03
"""
JOB = """
    ls /sys/class/net > /out/before
    linkprobe soak --minutes 0.3 --load network:eth0-eth1 --json -o /out/pair.jsonl > /out/pair.json
    echo $? > /out/pair.status
    linkprobe soak --minutes 0.1 --load network:eth2 --json -o /out/alone.jsonl > /out/alone.json
    ls /sys/class/net > /out/after
    ip link set dev eth0 up
    linkprobe soak --minutes 0.1 --load network:eth0-eth1 -o /out/up.jsonl 2> /out/up
    echo $? >> /out/up
"""


@pytest.fixture(scope="module")
def driven(guest_ready: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("network")
    found = emulator.boot(PORTS.split(), JOB, out)
    assert (out / "up").exists(), found.log
    return out


def document(path: Path) -> Any:
    return json.loads(path.read_text())


def test_both_links_carry_what_one_port_sends_the_other(driven: Path) -> None:
    found = document(driven / "pair.json")
    carried = {(item["target"], item["direction"]): item for item in found["carriage"]}
    for key in (
        ("eth0", "from host"),
        ("eth1", "to host"),
        ("eth0", "to host"),
        ("eth1", "from host"),
        ("eth0", "both"),
    ):
        assert carried[key]["median_bytes_s"] > 0, key
    assert carried["eth0", "from host"]["place"] != carried["eth1", "to host"]["place"]
    assert found["mismatches"] == []
    assert [item["failure"] for item in found["load_results"]] == [None]


def test_the_ports_are_given_back(driven: Path) -> None:
    assert (driven / "after").read_text() == (driven / "before").read_text()


def test_a_driver_without_a_loopback_is_a_sentence(driven: Path) -> None:
    (result,) = document(driven / "alone.json")["load_results"]
    assert "put a loopback plug into eth2, or name two ports: its driver offers no loopback" in result["failure"]


def test_a_port_in_use_is_refused_without_a_record(driven: Path) -> None:
    told = (driven / "up").read_text()
    assert "network:eth0: is in use (it is up)" in told
    assert told.splitlines()[-1] == "64"
    assert not (driven / "up.jsonl").exists()
