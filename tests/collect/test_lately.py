"""Errors that come a few a run: held to the limit in a window that slides over the runs, never over each run alone."""

from collections.abc import Sequence
from pathlib import Path
from unittest.mock import patch

import msgspec
import pytest

from probe.audit.snapshot import take
from probe.collect.lately import Came, Lately, carried_on, over_limit
from probe.collect.run import Run, collect
from probe.collect.settings import Settings
from probe.compare.following import follow
from probe.errors.attribution import TO_COMPONENT
from probe.errors.limits import Limits
from probe.evidence import Evidence
from probe.exit_status import ExitStatus
from probe.host.source import MemorySource
from probe.registers.link import LinkStatus2
from tests.compare.machines import drive, of, slot, snapshot

QUARTER_H = 0.25
BOOTED_H = 2400.0
"""The counts of a machine that has run for long say nothing by themselves."""


def at(hours: float, count: int, *, flit: bool = False) -> Evidence:
    registers = {LinkStatus2.flit_mode_status: True} if flit else {}
    card = drive(counters={"correctable": {"Receiver Error": count}}, registers=registers)
    day, hour, minute = 1 + int(hours // 24), int(hours % 24), int(hours * 60 % 60)
    taken_at = f"2026-03-{day:02d}T{hour:02d}:{minute:02d}:00+00:00"
    described = of(slot(1, card, registers=registers))
    return snapshot(described, uptime_s=(BOOTED_H + hours) * 3600.0, boot_id="one", taken_at=taken_at).evidence


def runs(tmp_path: Path, seen: Sequence[Evidence]) -> list[Run]:
    found = []
    for evidence in seen:
        with patch("probe.collect.run.read_bounded", return_value=evidence):
            found.append(collect(MemorySource({}, {}, "made up", {}), Settings(spool=str(tmp_path / "spool"))))
    return found


@pytest.mark.published("illumos usr/src/cmd/fm/eversholt pciex.esc: 6 correctable link errors in 2 hours")
def test_five_each_quarter_of_an_hour_are_found(tmp_path: Path) -> None:
    found = runs(tmp_path, [at(QUARTER_H * number, 5 * number) for number in range(10)])
    assert [run.status for run in found[:2]] == [ExitStatus.CLEAN, ExitStatus.CLEAN]
    assert {run.status for run in found[2:]} == {ExitStatus.FOUND}
    told = [line for line in found[9].lines if "over the last runs" in line]
    assert told == [
        "worse, slot 1 (port 0000:00:01.0): 40 correctable link errors over the last runs, suspect host to component "
        "[limit 6/2h]"
    ]


def test_it_is_over_when_the_window_has_passed(tmp_path: Path) -> None:
    seen = [at(QUARTER_H * number, min(5 * number, 10)) for number in range(14)]
    found = runs(tmp_path, seen)
    assert [run.status for run in found].count(ExitStatus.FOUND) == 7  # from the second five on, till the first is old
    assert found[-1].status is ExitStatus.CLEAN
    assert [any("over the last runs" in line for line in run.lines) for run in found].count(True) == 1


@pytest.mark.parametrize("hours", [0.25, 1.0])
def test_what_stays_below_the_limit_is_quiet(tmp_path: Path, hours: float) -> None:
    """1 each quarter of an hour is 8 in 2 hours, and 2 each hour are 4."""
    each = 1 if hours == QUARTER_H else 2
    found = runs(tmp_path, [at(hours * number, each * number) for number in range(20)])
    over = [run.status for run in found].count(ExitStatus.FOUND)
    assert over == (14 if hours == QUARTER_H else 0)


def test_corrected_errors_in_flit_mode_are_normal(tmp_path: Path) -> None:
    found = runs(tmp_path, [at(QUARTER_H * number, 5 * number, flit=True) for number in range(10)])
    assert {run.status for run in found} == {ExitStatus.CLEAN}


def test_a_damaged_note_is_no_alarm(tmp_path: Path) -> None:
    runs(tmp_path, [at(QUARTER_H * number, 5 * number) for number in range(4)])
    (tmp_path / "spool" / ".lately.json").write_text("{")
    (run,) = runs(tmp_path, [at(1.0, 20)])
    assert run.status is ExitStatus.CLEAN


def test_where_the_time_between_is_not_known_what_came_before_counts_no_more() -> None:
    limit = Limits().correctable
    before, after = (take(at(QUARTER_H * number, 5 * number)) for number in range(2))
    told = follow(before, after, Limits(), {}).comparison
    assert told is not None
    earlier = Lately(900.0, (Came(after.links[0].place_id, TO_COMPONENT, 5, 0.0),))
    assert len(over_limit(carried_on(earlier, told, after.links, limit), after.links, limit)) == 1
    timeless = msgspec.structs.replace(told, elapsed_s=None)
    assert over_limit(carried_on(earlier, timeless, after.links, limit), after.links, limit) == ()
