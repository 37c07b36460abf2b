"""The way between two components, and what peers carried over it."""

import msgspec
import pytest

from fake_sysfs import card, machine, port, root_port, switch
from probe.audit.names import title
from probe.loads.results import BOTH, Pass
from probe.paths.between import between
from probe.soak.record import record
from probe.soak.throughput import throughputs
from tests.compare.machines import snapshot
from tests.soak.test_record import start

WHOLE = snapshot(
    machine(
        root_port("0000:00:01.0", "16 GT/s x8").holds(
            switch("16 GT/s x8", *(port(best).holds(card(best)) for best in ("16 GT/s x16", "16 GT/s x8")))
        ),
        root_port("0000:00:02.0", "16 GT/s x4").holds(card("16 GT/s x16")),
    )
)
ALL = WHOLE.links
BEHIND = sorted((link for link in ALL if len(link.path) == 2), key=lambda link: link.downstream_port or "")
(BESIDE,) = (link for link in ALL if link.downstream_port == "0000:00:02.0")
CEILINGS = {(link.downstream_port, link.upstream_port): link.bandwidth.ceiling_bytes_s.to_host or 0 for link in ALL}


def test_two_behind_one_switch_meet_there() -> None:
    way = between(BEHIND[0], BEHIND[1], CEILINGS)
    assert way.through == "the switch at 0000:01:00.0"
    assert [step.upstream_port for step in way.steps] == [link.upstream_port for link in BEHIND]
    assert way.narrowest is not None
    assert str(way.narrowest.negotiated) == "16 GT/s x8"
    assert way.ceiling_bytes_s == BEHIND[1].bandwidth.ceiling_bytes_s.to_host


def test_two_below_different_root_ports_meet_in_the_host() -> None:
    way = between(BEHIND[0], BESIDE, CEILINGS)
    assert (way.through, len(way.steps)) == ("the host's root ports", 3)
    assert way.ceiling_bytes_s == BESIDE.bandwidth.ceiling_bytes_s.to_host


def test_a_step_of_which_nothing_is_known_leaves_no_ceiling() -> None:
    assert between(BEHIND[0], BEHIND[1], {}).ceiling_bytes_s is None


@pytest.mark.parametrize(("direction", "ways"), [("one to other", 1), (BOTH, 2)])
def test_peers_load_the_links_of_both_and_are_held_against_the_narrowest(direction: str, ways: int) -> None:
    one, other = BEHIND
    ceiling = other.bandwidth.ceiling_bytes_s.to_host or 0
    moved = Pass(
        t=1.0, load="x", target="one-other", place_id=one.place_id, peer_place_id=other.place_id, direction=direction,
        bytes=ceiling * ways // 2, seconds=1.0,
    )  # fmt: skip
    (found,) = throughputs([moved], {link.place_id: link for link in ALL})
    assert found.share == pytest.approx(0.5, rel=1e-6)
    assert found.sentence == "50% of the narrowest link between them, through the switch at 0000:01:00.0"
    run = start(before=WHOLE, covers=())
    run = msgspec.structs.replace(run, place_ids=tuple(link.place_id for link in (one, other, BESIDE)))
    assert {link.title: link.loaded for link in record([run, moved]).links} == {
        title(one): True, title(other): True, title(BESIDE): None,
    }  # fmt: skip
