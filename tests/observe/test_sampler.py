"""Sampling asks nothing that sleeps, is held up by nothing that is dead, and tells what it did not read."""

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from probe.audit.snapshot import take
from probe.evidence import Why
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.observe.events import CountedErrors, LinkEvent, Observed
from probe.observe.observer import LinkObserver, observers
from probe.observe.sampler import LinkSampler
from tests.soak.test_soak import CARD, DOWN, FAST_WIDE, PORT, SLOW, Machine, soaked


def watched(machine: Machine, patience_s: float = 5.0) -> list[LinkObserver]:
    taken = take(read_machine(open_source(machine.sys)))
    return list(observers(str(machine.sys), taken.links, taken.evidence, patience_s))


@contextmanager
def observing(machine: Machine, patience_s: float = 5.0) -> Iterator[list[LinkObserver]]:
    found = watched(machine, patience_s)
    try:
        yield found
    finally:
        found[0].close()


def sleeps(folder: Path, state: str) -> None:
    (folder / "power_state").write_text(f"{state}\n")


def told(happened: tuple[Observed, ...]) -> list[str]:
    return [item.kind for item in happened if isinstance(item, LinkEvent)]


@pytest.mark.parametrize("state", ["D3hot", "D3cold"])
def test_a_port_that_fell_asleep_is_not_read(state: str, tmp_path: Path) -> None:
    """Its registers change underneath, and nothing is seen of it until it is awake."""
    machine = Machine(tmp_path)
    with observing(machine) as (link, _):
        awake = link.observe(0.0)
        sleeps(machine.port, state)
        sleeps(machine.card, state)
        machine.status(DOWN)
        asleep = link.observe(1.0)
        sleeps(machine.port, "D0")
        sleeps(machine.card, "D0")
        machine.status(SLOW)
        again = link.observe(2.0)
    assert (awake.reading.width, awake.reading.unread) == (4, None)
    assert (asleep.reading.speed_gts, asleep.reading.width, asleep.reading.unread) == (None, None, Why.ASLEEP)
    assert told(asleep.happened) == ["power"]
    assert told(again.happened) == ["state", "power"]


def test_a_sleeping_component_is_answered_for_by_its_port(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    (machine.card / "hwmon/hwmon0").mkdir(parents=True)
    (machine.card / "hwmon/hwmon0/temp1_input").write_text("41000\n")
    with observing(machine) as (link, _):
        assert link.observe(0.0).reading.temperature_c == 41.0
        sleeps(machine.card, "D3cold")
        reading = link.observe(1.0).reading
    assert (reading.width, reading.unread, reading.temperature_c) == (4, None, None)


def replaced(machine: Machine, tmp_path: Path, *, counts: str | None = None) -> None:
    """The component is taken out, and one of its kind put in, which has counted this many errors itself."""
    machine.card.rename(tmp_path / "taken out")
    shutil.copytree(tmp_path / "taken out", machine.card)
    if counts is not None:
        machine.counter("aer_dev_correctable", counts)


def errors(happened: tuple[Observed, ...]) -> list[int]:
    return [item.count for item in happened if isinstance(item, CountedErrors)]


def test_a_component_that_went_and_came_back_is_followed(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.counter("aer_dev_correctable", "RxErr 5\nBadTLP 0")
    with observing(machine) as (link, _):
        assert told(link.observe(0.0).happened) == []
        machine.card.rename(tmp_path / "aside")
        machine.status(DOWN)
        gone = link.observe(1.0)
        shutil.copytree(tmp_path / "aside", machine.card)
        machine.counter("aer_dev_correctable", "RxErr 2\nBadTLP 0")
        machine.status(FAST_WIDE)
        back = link.observe(2.0)
        machine.counter("aer_dev_correctable", "RxErr 9\nBadTLP 0")
        later = link.observe(3.0)
    assert told(gone.happened) == ["gone", "link down"]
    assert told(back.happened) == ["back", "link up"]
    assert (errors(back.happened), errors(later.happened)) == ([2], [7])  # the counts of the new one began at zero
    assert back.reading.present


@pytest.mark.parametrize("counted", [2, 5, 8])
def test_one_that_was_replaced_between_two_samples_is_seen_by_its_folder(counted: int, tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.counter("aer_dev_correctable", "RxErr 5\nBadTLP 0")
    with observing(machine) as (link, _):
        link.observe(0.0)
        replaced(machine, tmp_path, counts=f"RxErr {counted}\nBadTLP 0")
        found = link.observe(1.0)
    assert told(found.happened) == ["gone", "back"]
    assert errors(found.happened) == [counted]


def test_what_is_hot_is_read_of_the_one_that_is_there(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    with observing(machine) as (link, _):
        assert link.observe(0.0).reading.temperature_c is None
        replaced(machine, tmp_path)
        link.observe(1.0)
        (machine.card / "hwmon/hwmon7").mkdir(parents=True)  # its driver comes later
        (machine.card / "hwmon/hwmon7/temp1_input").write_text("52000\n")
        assert link.observe(2.0).reading.temperature_c == 52.0


HANG_S = 60.0


def hangs(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    real = os.pread

    def pread(descriptor: int, size: int, offset: int) -> bytes:
        if str(Path(f"/proc/self/fd/{descriptor}").readlink()).endswith(name):
            time.sleep(HANG_S)
        return real(descriptor, size, offset)

    monkeypatch.setattr(os, "pread", pread)


@pytest.mark.parametrize("dead", [f"{PORT}/config", f"{CARD}/aer_dev_correctable"])
def test_a_device_that_hangs_is_told_once_and_holds_up_nobody(
    dead: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = Machine(tmp_path)
    hangs(monkeypatch, dead)
    with observing(machine, 0.5) as (link, other):
        first, beside = link.observe(0.0), other.observe(0.0)
        began = time.monotonic()
        second, beside_again = link.observe(1.0), other.observe(1.0)
        assert time.monotonic() - began < HANG_S
    assert (first.reading.unread, told(first.happened)) == (Why.HUNG, ["unanswered"])
    (event,) = first.happened
    assert isinstance(event, LinkEvent)
    assert event.bad
    assert (second.reading.unread, second.happened) == (Why.HUNG, ())
    assert [item.reading.width for item in (beside, beside_again)] == [4, 4]


def test_what_cannot_be_read_is_not_a_link_that_went_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine(tmp_path)
    monkeypatch.setattr(LinkSampler, "_bytes", lambda *_: None)
    with observing(machine) as (link, _):
        seen = link.observe(0.0)
    assert (seen.reading.unread, told(seen.happened)) == (Why.FAILED, ["unread"])


def test_counters_that_fail_are_told_and_are_no_zero(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.pread

    def pread(descriptor: int, size: int, offset: int) -> bytes:
        if str(Path(f"/proc/self/fd/{descriptor}").readlink()).endswith("aer_dev_fatal"):
            raise OSError(5, "Input/output error")
        return real(descriptor, size, offset)

    monkeypatch.setattr(os, "pread", pread)
    found = soaked(Machine(tmp_path), tmp_path)
    assert [event.kind for event in found.events] == ["unread"]
    assert any("its error counters cannot be read" in text for text in found.links[0].reasons)


def test_a_soak_beside_a_dead_device_fails_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hangs(monkeypatch, f"{PORT}/config")
    monkeypatch.setattr(
        "probe.soak.sampling.observers", lambda sys, links, evidence: observers(sys, links, evidence, 0.5)
    )
    found = soaked(Machine(tmp_path), tmp_path)
    assert (found.verdict, found.links[0].result) == ("failed", "failed")
    assert "did not answer" in found.links[0].reasons[0]
