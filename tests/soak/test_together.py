"""What links carried at the same time: sums by phase, and the link that several share held against them."""

import random

import pytest

from fake_sysfs import card, machine, port, root_port, switch
from probe.audit.document import LinkDocument
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Pass
from probe.soak.throughput import throughputs
from probe.soak.together import together
from tests.compare.machines import snapshot

UPLINK = ("0000:00:01.0", "0000:01:00.0")


MACHINE = snapshot(
    machine(
        root_port("0000:00:01.0", "16 GT/s x8").holds(
            switch("16 GT/s x8", *(port("16 GT/s x4").holds(card("16 GT/s x4")) for _ in range(3)))
        ),
        root_port("0000:00:02.0", "16 GT/s x4").holds(card("16 GT/s x4")),
    )
)
ALL = MACHINE.links
"""Three drives behind a switch whose uplink carries what two of them can, and one beside it."""
BELOW = sorted((link for link in ALL if link.upstream_port != UPLINK[1]), key=lambda link: -len(link.path))
LINKS: dict[str, LinkDocument] = {f"drive {number}": link for number, link in enumerate(BELOW)}
OWN = LINKS["drive 0"].bandwidth.ceiling_bytes_s.to_host or 0


def measured(share: dict[str, float], direction: str = TO_HOST, numbers: range = range(3)) -> list[Pass]:
    """In each phase, what each drive carried as a share of its own ceiling one way."""
    return [
        Pass(
            t=1.0 + number, load="x", target=name, place_id=LINKS[name].place_id, direction=direction,
            bytes=int(OWN * part), seconds=1.0, phase=direction, phase_number=number,
        )
        for number in numbers
        for name, part in share.items()
    ]  # fmt: skip


THIRDS = {"drive 0": 0.6, "drive 1": 0.6, "drive 2": 0.6}


def test_the_shared_link_is_blamed_and_not_those_behind_it() -> None:
    passes = measured(THIRDS | {"drive 3": 0.6})
    everyone, shared = together(passes, ALL)
    assert (everyone.over, everyone.share, len(everyone.targets), everyone.phases) == (None, None, 4, 3)
    assert everyone.median_bytes_s == pytest.approx(2.4 * OWN, rel=1e-6)
    assert (shared.over, shared.targets) == (UPLINK, ("drive 0", "drive 1", "drive 2"))
    assert shared.share == pytest.approx(0.9, abs=0.01)  # 3 x 0.6 of x4 over x8
    carried = {item.target: item for item in throughputs(passes, {i.place_id: i for i in ALL}, (everyone, shared))}
    assert [carried[name].short for name in sorted(carried)] == [False, False, False, True]
    assert f"the link {UPLINK[0]} to {UPLINK[1]} that they share, 90% of it" in carried["drive 0"].sentence
    assert carried["drive 3"].sentence.startswith("falls short: 60%")


def test_links_that_fall_short_together_are_asked_about() -> None:
    passes = measured(dict.fromkeys(THIRDS, 0.2))
    sums = together(passes, ALL)
    assert all(item.short for item in throughputs(passes, {i.place_id: i for i in ALL}, sums))


def test_only_phases_in_which_all_were_measured_are_summed() -> None:
    passes = measured({"drive 0": 0.9, "drive 3": 0.9}) + measured({"drive 0": 0.1}, numbers=range(3, 9))
    (sums,) = together(passes, ALL)
    assert sums.phases == 3
    assert sums.least_bytes_s == pytest.approx(1.8 * OWN, rel=1e-6)


def test_both_ways_at_once_are_held_against_both_ceilings() -> None:
    _, shared = together(measured(THIRDS, BOTH), ALL)
    one_way = [together(measured(THIRDS, way), ALL)[1].ceiling_bytes_s or 0 for way in (TO_HOST, FROM_HOST)]
    assert shared.ceiling_bytes_s == sum(one_way)


def test_one_alone_is_no_sum() -> None:
    assert together(measured({"drive 0": 0.9}), ALL) == ()


def test_the_order_of_links_and_passes_changes_nothing() -> None:
    passes = measured(THIRDS | {"drive 3": 0.6})
    shuffled, links = list(passes), list(ALL)
    random.Random(1).shuffle(shuffled)
    random.Random(2).shuffle(links)
    assert together(shuffled, links) == together(passes, ALL)
