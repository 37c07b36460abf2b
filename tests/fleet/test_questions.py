"""Each question finds what it is asked for, and nothing else."""

from typing import Any

import ibis
import msgspec
import pyarrow as pa
import pytest
from scipy.stats import binomtest, chi2

from probe.errors.limits import Limit, Limits
from probe.fleet.chronicle import HostFacts, LinkResult, Observation, Scribe, Trial
from probe.fleet.questions.peers import compare, lower_bound, margins, outliers, racks, trained, upper_bound
from probe.fleet.questions.state import below, current, history, inventory, never_heard, silent
from probe.fleet.questions.trends import below_on, erred, heard
from probe.fleet.questions.trouble import errors, flapping, rated, results
from probe.fleet.rows import HostRow, Row
from probe.fleet.telling import rows_of
from tests.fleet.made import (
    DAY_0_S,
    DAY_S,
    HOUR_S,
    LINK,
    NOW_S,
    UNREAD,
    ask,
    chronicles,
    counted,
    link,
    rows,
    seen,
    tables,
)  # fmt: skip

SHORT = link(width=4, verdict="downtrained")


def host(number: int | str, *links: Any, **more: Any) -> Observation:
    return seen(HOUR_S, *links, host=f"id {number}", **more)


def hours(question: Any, *observations: Observation) -> list[dict[str, Any]]:
    return ask(question, *observations)


def test_below_is_the_last_state_with_where_and_since_when() -> None:
    found = ask(below, seen(0, LINK), seen(HOUR_S, SHORT), seen(2 * HOUR_S, SHORT))
    assert [(item["host"], item["place"], item["since_s"] - DAY_0_S, item["seen_s"] - DAY_0_S) for item in found] == [
        ("h", "1", HOUR_S, 2 * HOUR_S)
    ]
    assert ask(below, seen(0, SHORT), seen(HOUR_S, LINK)) == []
    assert ask(below, seen(0, msgspec.structs.replace(SHORT, standing="inside card"))) == []


def test_a_place_that_left_is_in_no_present() -> None:
    found = ask(inventory, seen(0, LINK, SHORT), seen(HOUR_S, LINK))
    assert [(item["verdict"], item["links"]) for item in found] == [("full", 1)]


def test_a_host_that_was_reinstalled_is_told_once() -> None:
    """The same name, another machine id: the old one's last state is no present; both have their history."""
    old, new = seen(0, SHORT, host="id old", name="n"), seen(0, LINK, host="id new", name="n", began_s=DAY_0_S + DAY_S)
    assert ask(below, old, new) == []
    assert {item["machine"] for item in ask(lambda t: history(t, "n"), old, new)} == {"id old", "id new"}


def test_twins_in_name_are_both_there() -> None:
    one, other = seen(0, SHORT, host="id 1", name="n"), seen(60, SHORT, host="id 2", name="n")
    again = seen(120, SHORT, host="id 1", name="n")
    assert [item["machine"] for item in ask(below, one, other, again)] == ["id 1", "id 2"]
    elsewhere = msgspec.structs.replace(other, facts=HostFacts("n", "Another board", "Product", 1))
    assert sorted(item["host"] for item in ask(lambda t: current(t.hosts), one, elsewhere)) == ["id 1", "id 2"]


@pytest.mark.parametrize(("hosts", "told"), [(3, 0), (7, 0), (8, 1), (30, 1)])
def test_small_groups_say_nothing(hosts: int, told: int) -> None:
    found = ask(outliers, *(host(number, SHORT if number == 0 else LINK) for number in range(hosts)))
    assert len(found) == told


def test_peers_are_grouped_by_wiring_not_by_what_firmware_or_a_user_calls_the_place() -> None:
    moved = [host(number, link(place=f"slot {number}", address=f"0000:{number:02x}:01.0")) for number in range(20)]
    found = ask(outliers, *moved, host("odd", link(width=4, verdict="downtrained", place="0000:00:01.0")))
    assert [item["host"] for item in found] == ["odd"]


def test_links_at_rest_are_no_peers() -> None:
    rest = [host(f"r{number}", link(verdict="resting", speed_gts=2.5)) for number in range(20)]
    assert ask(outliers, *rest, *(host(number, LINK) for number in range(9))) == []


def in_racks(short: dict[str, int], hosts: int = 20) -> list[Observation]:
    return [
        host(f"{rack}-{number}", SHORT if number < count else LINK)
        for rack, count in short.items()
        for number in range(hosts)
    ]


@pytest.mark.parametrize(
    ("short", "told"),
    [
        ({"r1": 20, "r2": 0, "r3": 0}, ["r1"]),
        ({"r1": 20, "r2": 20, "r3": 0}, []),  # most racks are so: no rack tells which is right
        ({"r1": 20, "r2": 0}, ["r1"]),
        ({"r1": 3, "r2": 0, "r3": 0}, []),
        ({"r1": 19, "r2": 1, "r3": 2}, ["r1"]),
    ],
)
def test_a_rack_short_as_a_whole(short: dict[str, int], told: list[str]) -> None:
    found = ask(lambda t: racks(t, r"^(r\d)-"), *in_racks(short))
    assert [item["rack"] for item in found] == told


def test_margins_far_below_those_of_peers() -> None:
    given: dict[str, list[Row]] = {}
    for number in range(12):
        (chronicle,) = chronicles([host(number, LINK)])
        ui = 0.02 if number == 5 else 0.2 + number / 1000
        tested = Trial(
            test="margin", wall_s=DAY_0_S, result="passed", links=(LinkResult("0000/0/01.0", "1", "passed", (), ui),)
        )
        Scribe(chronicle).add_result(tested)
        for kind, listed in rows_of(chronicle).items():
            given.setdefault(kind, []).extend(listed)
    found = ibis.duckdb.connect().to_pyarrow(margins(tables(given))).to_pylist()
    assert [(item["host"], item["margin_ui"], item["peers"]) for item in found] == [("5", 0.02, 12)]


@pytest.mark.published("E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; scipy's binomtest as the witness")
@pytest.mark.parametrize(("alike", "peers"), [(7, 8), (99, 100), (3, 5), (1, 1), (512, 1000)])
def test_the_interval_is_wilsons(alike: int, peers: int) -> None:
    table = ibis.memtable({"alike": [alike], "peers": [peers]})
    both = table.select(low=lower_bound(table.alike, table.peers), high=upper_bound(table.alike, table.peers))
    (ours,) = ibis.duckdb.connect().to_pyarrow(both).to_pylist()
    witness = binomtest(alike, peers).proportion_ci(0.95, method="wilson")
    assert (ours["low"], ours["high"]) == (pytest.approx(witness.low, abs=1e-4), pytest.approx(witness.high, abs=1e-4))


def asked_errors(*observations: Observation, limits: Limits | None = None) -> list[dict[str, Any]]:
    answer = ibis.duckdb.connect().to_pyarrow(errors(tables(rows(observations)), limits))
    found: list[dict[str, Any]] = rated(answer).to_pylist()
    return found


def growing(counts: list[int], step_s: float = HOUR_S / 4, **more: Any) -> list[Observation]:
    return [seen(number * step_s, LINK, counts=counted(count), **more) for number, count in enumerate(counts)]


def test_errors_are_counted_with_their_rate_and_its_interval() -> None:
    (found,) = asked_errors(*growing([100, 103, 103, 107, 107], HOUR_S))
    assert (found["correctable"], found["hours"], found["an_hour"], found["last_day"]) == (7, 4.0, 1.75, 7)
    assert (found["an_hour_low"], found["an_hour_high"]) == (
        pytest.approx(chi2.ppf(0.025, 14) / 8, rel=1e-4), pytest.approx(chi2.ppf(0.975, 16) / 8, rel=1e-4),
    )  # fmt: skip


@pytest.mark.published("6 correctable errors in 2 hours: illumos usr/src/cmd/fm/eversholt/files/common/pciex.esc")
@pytest.mark.parametrize(
    ("steps", "over"),
    [
        ([0, 5], False),
        ([0, 6], True),
        ([0, 1, 2, 3, 4, 5, 6], True),  # six in an hour and a half
        ([0, 3, *[3] * 8, 6], False),  # six in two hours and a half
        ([0, 3, 3, 3, 3, 3, 3, 3, 6], True),  # the first of them surely within two hours of the last
        ([0, 3, 3, 3, 3, 3, 3, 3, 3, 6], False),  # the first may have come before that
    ],
)
def test_the_limit_holds_in_a_sliding_window(steps: list[int], over: bool) -> None:
    (found,) = asked_errors(*growing(steps))
    assert found["over_link"] is over


def test_errors_between_snapshots_far_apart_are_spread_evenly() -> None:
    (found,) = asked_errors(*growing([0, 71], DAY_S))
    assert (found["over_link"], found["link_window"]) == (False, pytest.approx(71 / 12, abs=1e-3))
    (found,) = asked_errors(*growing([0, 72], DAY_S))
    assert found["over_link"]


def test_errors_that_are_not_of_the_lanes_have_no_limit_but_poison_has_its_own() -> None:
    def of(error: str) -> list[Observation]:
        return [seen(number * HOUR_S, LINK, counts=counted(count, error=error)) for number, count in enumerate([0, 9])]

    assert [item["over_link"] for item in asked_errors(*of("Advisory Non-Fatal Error"))] == [False]
    (found,) = asked_errors(*of("Poisoned TLP Received"), limits=Limits(data=Limit(9, 1.0)))
    assert (found["over_link"], found["over_data"]) == (False, True)


def test_worst_first_and_one_error_on_a_young_host_does_not_lead() -> None:
    young = [item for number, item in enumerate(growing([0, 1], HOUR_S, host="id young"))]
    steady = growing([0, *(5 * (number // 4) for number in range(4 * 24))], HOUR_S, host="id steady")
    fatal = [seen(0, LINK, host="id fatal"), seen(HOUR_S, LINK, host="id fatal", counts=counted(0, fatal=1))]
    assert [item["host"] for item in asked_errors(*young, *steady, *fatal)] == ["fatal", "steady", "young"]


def test_history_tells_from_when_to_when() -> None:
    found = ask(
        lambda t: history(t, "h"), *(seen(at, link(width=width)) for at, width in enumerate([8, 8, 4, 4, None]))
    )
    assert [(item["width"], item["since_s"] - DAY_0_S, item["until_s"] and item["until_s"] - DAY_0_S) for item in found] == [
        (8, 0, 1), (4, 2, 3), (None, 4, None),
    ]  # fmt: skip


def test_a_card_whose_serial_was_not_read_stays_the_same() -> None:
    found = ask(lambda t: history(t, "h"), seen(0, UNREAD), seen(1, LINK), seen(2, UNREAD), seen(3, LINK))
    assert [item["identity"] for item in found] == ["serial 00-01"]


def test_trained_counts_boots() -> None:
    boots = [
        seen(60, SHORT if number in {2, 5} else LINK, boot=f"b{number}", began_s=DAY_0_S + number * DAY_S)
        for number in range(10)
    ]
    again = seen(120, LINK, boot="b2", began_s=DAY_0_S + 2 * DAY_S)
    (found,) = ask(trained, *boots, again)
    assert (found["boots"], found["short"], found["hosts"], found["share"]) == (10, 2, 1, 0.2)


def test_compare_tells_shares_apart_only_where_intervals_do_not_touch() -> None:
    site_a = [host(f"a{number}", SHORT if number < 20 else LINK) for number in range(40)]
    site_b = [host(f"b{number}", SHORT if number < 1 else LINK) for number in range(40)]
    (found,) = ask(lambda t: compare(t, "^a", "^b"), *site_a, *site_b)
    assert (found["links_a"], found["short_a"], found["links_b"], found["short_b"]) == (40, 20, 40, 1)
    assert found["differs"]
    (found,) = ask(lambda t: compare(t, "^a2", "^b2"), *site_a, *site_b)
    assert not found["differs"]
    (found,) = ask(lambda t: compare(t, "^a", "^nowhere"), *site_a)
    assert (found["links_b"], found["differs"]) == (0, False)


def test_flapping_is_there_and_back_twice() -> None:
    def of(*states: Any) -> list[Observation]:
        return [seen(number * HOUR_S, state) for number, state in enumerate(states)]

    rest = link(verdict="resting", speed_gts=2.5)
    assert [item["changes"] for item in ask(flapping, *of(LINK, SHORT, LINK, SHORT, LINK))] == [4]
    assert ask(flapping, *of(LINK, SHORT, LINK, SHORT)) == []
    assert ask(flapping, *of(LINK, rest, LINK, rest, LINK, rest, LINK)) == []
    swapped = [link(serial=f"00-0{number}", width=8 - number % 2) for number in range(6)]
    assert ask(flapping, *of(*swapped)) == []


def test_silent_hosts_by_their_own_gap_and_clocks_that_cannot_be() -> None:
    hourly = [seen(number * HOUR_S, LINK, host="id hourly") for number in range(5)]
    daily = [seen(number * DAY_S, LINK, host="id daily") for number in range(2)]
    odd = [seen(23 * HOUR_S, LINK, host="id odd", clock_off_s=-DAY_0_S), seen(24 * HOUR_S, LINK, host="id odd")]
    found = ask(lambda t: silent(t, DAY_0_S + DAY_S + HOUR_S), *hourly, *daily, *odd)
    assert [(item["host"], item["is_silent"], item["odd_clock"]) for item in found] == [
        ("hourly", True, False), ("odd", False, True),
    ]  # fmt: skip
    assert len(ask(lambda t: silent(t, DAY_0_S + DAY_S + HOUR_S, 60), *hourly, *daily)) == 2


def test_hosts_never_heard_of_come_first() -> None:
    given = tables(rows([seen(0, LINK)]))
    connection = ibis.duckdb.connect()
    answer = connection.to_pyarrow(silent(given, DAY_0_S))
    found = never_heard(answer, connection.to_pyarrow(given.hosts), ["h", "ghost"])
    assert found["host"].to_pylist() == ["ghost"]
    assert isinstance(found, pa.Table)


def test_a_host_without_links_is_counted() -> None:
    (found,) = rows([seen(0)])["hosts"]
    assert isinstance(found, HostRow)
    assert found.links == 0


def test_results_newest_first_failed_first() -> None:
    (chronicle,) = chronicles([seen(0, LINK)])
    for at_s, result in ((1, "failed"), (2, "passed")):
        Scribe(chronicle).add_result(
            Trial(test="soak", wall_s=at_s, result=result, links=(LinkResult("p", "1", result),))
        )
    given = rows_of(chronicle)
    assert [item["result"] for item in ibis.duckdb.connect().to_pyarrow(results(tables(given))).to_pylist()] == [
        "passed"
    ]


def test_trends() -> None:
    observations = [seen(0, LINK), seen(DAY_S, SHORT, counts=counted(4)), seen(2 * DAY_S, LINK, counts=counted(4))]
    days = [DAY_0_S, DAY_0_S + DAY_S, DAY_0_S + 2 * DAY_S]
    assert [(item["day_s"], item["links"]) for item in ask(lambda t: below_on(t, days), *observations)] == [
        (days[1], 1)
    ]
    assert [item["hosts"] for item in ask(heard, *observations)] == [1, 1, 1]
    assert [(item["day_s"], item["events"]) for item in ask(erred, *observations)] == [(days[1], 4)]
    assert days[2] < NOW_S
