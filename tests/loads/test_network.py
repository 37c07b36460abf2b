"""The network load over a pair of virtual ports, and over one whose other end is this test: a plug that sends all back."""

import fcntl
import os
import select
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from probe.exceptions import InputError
from probe.host.network_interfaces import has_carrier, network_interface, offers_loopback
from probe.loads.catalogue import find
from probe.loads.frames import AT_A_CALL, FrameData
from probe.loads.interface import Options
from probe.loads.kinds import network
from probe.loads.processes import Workers
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Mismatch, Pass

ONE, OTHER, PLUGGED = "lp-test0", "lp-test1", "lptest2"
TAP, NO_INFORMATION, SET_INTERFACE = 0x0002, 0x1000, 0x400454CA
"""IFF_TAP, IFF_NO_PI, TUNSETIFF of linux/if_tun.h."""


def ip(*words: str) -> None:
    done = subprocess.run(["ip", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"no network interface can be made here: {done.stderr.strip()}")


@pytest.fixture
def pair() -> Iterator[None]:
    """Two ports with a cable between them. They go with the namespace that they were taken into."""
    ip("link", "add", ONE, "type", "veth", "peer", "name", OTHER)
    yield
    subprocess.run(["ip", "link", "del", ONE], capture_output=True, check=False)


Answer = Callable[[int, bytearray], bytes | None]
"""What a plug sends back of a frame, by its number; None to lose it."""


@contextmanager
def plugged(answer: Answer) -> Iterator[None]:
    """A port whose frames this test takes, and gives back."""
    try:
        descriptor = os.open("/dev/net/tun", os.O_RDWR | os.O_CLOEXEC | os.O_NONBLOCK)
        fcntl.ioctl(descriptor, SET_INTERFACE, struct.pack("16sH22x", PLUGGED.encode(), TAP | NO_INFORMATION))
    except OSError as error:
        pytest.skip(f"no network interface can be made here: {error}")
    over = threading.Event()

    def give_back() -> None:
        number = 0
        while not over.is_set():
            if not select.select([descriptor], [], [], 0.05)[0]:
                continue
            try:
                frame = bytearray(os.read(descriptor, 65_536))
            except OSError:
                continue  # it is not up
            if frame[12:14] != b"\x88\xb5":
                continue
            back = answer(number, frame)
            number += 1
            if back is not None:
                os.write(descriptor, back)

    thread = threading.Thread(target=give_back)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        os.close(descriptor)


def driven(word: str, *, passes: int, **options: float) -> tuple[list[Pass | Mismatch], list[str | None]]:
    """What the load reports until there are so many passes, and how it ended."""
    reported: list[Pass | Mismatch] = []
    enough = threading.Event()

    def report(entry: Pass | Mismatch) -> None:
        reported.append(entry)
        if sum(isinstance(item, Pass) for item in reported) >= passes:
            enough.set()

    loads = find(word)
    given = Options(rate_bytes_s=options.get("rate"))
    for load, target in loads:
        load.refuse(target, given)
    workers = Workers(loads, {}, given, report, planned_s=6.0)
    workers.prepare()
    workers.go()
    until = time.monotonic() + 60
    while not (enough.is_set() or all(member.ended for member in workers.members)) and time.monotonic() < until:
        time.sleep(0.05)
    return reported, [failure for _, failure in workers.stop()]


def test_two_ports_in_step(pair: None) -> None:
    reported, ends = driven(f"network:{ONE}-{OTHER}", passes=6)
    assert ends == [None]
    passes = [item for item in reported if isinstance(item, Pass)]
    assert len(passes) == len(reported)
    assert [(item.target, item.phase, item.direction) for item in passes[:6]] == [
        (ONE, FROM_HOST, FROM_HOST), (OTHER, FROM_HOST, TO_HOST),
        (ONE, TO_HOST, TO_HOST), (OTHER, TO_HOST, FROM_HOST),
        (ONE, BOTH, BOTH), (OTHER, BOTH, BOTH),
    ]  # fmt: skip
    assert all(item.verified and item.bytes % 1514 == 0 and item.lost == 0 for item in passes)


def test_a_port_that_gets_back_what_it_sends() -> None:
    with plugged(lambda _, frame: bytes(frame)):
        reported, ends = driven(f"network:{PLUGGED}", passes=1)
    assert ends == [None]
    (found, *_) = reported
    assert isinstance(found, Pass)
    assert (found.direction, found.phase, found.verified) == (BOTH, BOTH, True)
    assert found.bytes % (2 * 1514) == 0


def test_a_bit_that_flips_on_the_cable_is_found() -> None:
    where = 32 + 700  # behind the head

    def flip(number: int, frame: bytearray) -> bytes:
        if number == 2000:
            frame[where] ^= 0b100
        return bytes(frame)

    with plugged(flip):
        reported, _ = driven(f"network:{PLUGGED}", passes=3)
    (wrong,) = (item for item in reported if isinstance(item, Mismatch))
    assert (wrong.bits, wrong.offset % (1500 + 14 - 32)) == (1, 700)
    assert wrong.expected != wrong.found


def test_frames_that_do_not_come_back_are_counted_and_damage_nothing() -> None:
    with plugged(lambda number, frame: None if number > 1000 and number % 50 == 0 else bytes(frame)):
        reported, ends = driven(f"network:{PLUGGED}", passes=3)
    assert ends == [None]
    passes = [item for item in reported if isinstance(item, Pass)]
    assert len(passes) == len(reported)
    assert sum(item.lost for item in passes) > 0


def test_a_port_without_a_plug_says_what_is_missing() -> None:
    with plugged(lambda *_: None):
        reported, ends = driven(f"network:{PLUGGED}", passes=1)
    assert not reported
    assert ends == [
        f"{PLUGGED}: {PLUGGED}: no frame arrives; put a loopback plug into {PLUGGED}, or name two ports: its driver "
        "offers no loopback"
    ]


def test_a_rate_limit_holds(pair: None) -> None:
    reported, _ = driven(f"network:{ONE}-{OTHER}", passes=2, rate=4e6)
    assert isinstance(reported[0], Pass)
    assert reported[0].bytes / reported[0].seconds < 8e6


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("network:none0", "no such network interface"),
        ("network:lo-lo", "no such network interface"),
        ("network:../x", "no such network interface"),
        ("network", "finds nothing to drive"),
    ],
)
def test_what_is_no_port(word: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        find(word)


def refusal(word: str, block: int | None = None) -> str:
    ((load, target),) = find(word)
    with pytest.raises(InputError) as caught:
        load.refuse(target, Options(block=block))
    return str(caught.value)


def test_a_port_in_use_is_refused(pair: None) -> None:
    assert "lo: is in use (it is up)" in refusal("network:lo")
    ip("link", "set", ONE, "up")
    assert f"{ONE}: is in use (it is up); if nothing needs it: ip link set dev {ONE} down" in refusal(
        f"network:{ONE}-{OTHER}"
    )
    ip("link", "set", ONE, "down")
    ip("link", "add", "link", ONE, "name", "lp-upper", "type", "macvlan")
    assert f"{ONE}: is in use (lp-upper is made of it)" in refusal(f"network:{ONE}")


def test_what_else_is_refused(pair: None, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "--block 4096 with network: is not for frames" in refusal(f"network:{ONE}", block=4096)
    monkeypatch.setattr(network, "program", lambda: None)
    assert "ip is not installed" in refusal(f"network:{ONE}")
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert "needs root" in refusal(f"network:{ONE}")


def test_what_the_kernel_says_of_a_port(pair: None) -> None:
    found = network_interface(ONE)
    assert found is not None
    assert found.mtu == int(Path(f"/sys/class/net/{ONE}/mtu").read_text())
    assert found.hardware.hex(":") == Path(f"/sys/class/net/{ONE}/address").read_text().strip()
    assert (found.up, found.address) == (False, None)
    assert network_interface("lo") is not None
    assert has_carrier("lo")
    assert not has_carrier(ONE)
    assert offers_loopback("lo") is True  # drivers/net/loopback.c: NETIF_F_LOOPBACK is one of its features
    assert offers_loopback(ONE) is False


def test_data_come_round_after_a_prime_number_of_frames() -> None:
    assert all(AT_A_CALL % divisor for divisor in range(2, AT_A_CALL))
    data = FrameData(100, 1)
    assert data.of(AT_A_CALL) == data.of(0) != data.of(1)
