"""The plan that is written for a machine: it is sound as it stands, and with every step that it offers taken in."""

import re
from pathlib import Path

import pytest

from fake_sysfs import Machine, card, machine, root_port
from fake_sysfs.demonstration import correlator
from fake_sysfs.hardware.node import LIVE_SLOT, repaired
from probe.qualify.plan import MarginsStep, Plan, SoakStep, TrainingsStep
from probe.qualify.plan_file import read_plan
from probe.qualify.plan_text import plan_text
from tests.conftest import Run

OFFERED = re.compile(r"^#(?! )", re.MULTILINE)
ODD = machine(
    root_port("0000:00:01.0", "16 GT/s x8", slot_name='a "slot" \\ [1]').holds(card("16 GT/s x8", driver="nvme")),
    root_port("0000:00:02.0", "16 GT/s x8", slot=2).holds(card("16 GT/s x8")),
    root_port("0000:00:03.0", "16 GT/s x8", slot=2).holds(card("16 GT/s x8")),
    name='host "a\x1b[31mb',
)  # fmt: skip


def plan_of(text: str) -> Plan:
    reading = read_plan(text.encode())
    assert reading.plan is not None, reading.faults
    return reading.plan


@pytest.mark.parametrize(
    "described", [correlator(), repaired(), ODD], ids=["the node", "the node repaired", "odd names"]
)
def test_it_is_sound_as_it_is_and_with_all_that_it_offers(described: Machine, run: Run, tmp_path: Path) -> None:
    tree, path, record = described.build().write(tmp_path / "tree"), tmp_path / "plan.toml", tmp_path / "record.json"
    assert run("qualify", "--write-plan", "-o", path, "--sysfs", tree)[0] == 0
    plan = plan_of(path.read_text())
    assert [step.name for step in plan.step] == ["before", "after", "comparison"]
    assert run("qualify", path, "--sysfs", tree, "--field", "operator=Ada", "--dry-run")[0] == 0
    assert run("qualify", path, "--sysfs", tree, "--field", "operator=Ada", "-o", record)[0] in {0, 1, 3}
    offered = plan_of(OFFERED.sub("", path.read_text()))
    assert {type(step) for step in offered.step} >= {TrainingsStep, SoakStep}
    path.write_text(OFFERED.sub("", path.read_text()))
    _, out, _ = run("qualify", path, "--sysfs", tree, "--field", "operator=Ada", "--dry-run")
    assert "names no link" not in out


def test_margins_are_offered_where_a_link_has_lane_margining(run: Run, tmp_path: Path) -> None:
    _, out, _ = run("qualify", "--write-plan", "--sysfs", repaired().build().write(tmp_path / "tree"))
    (margins,) = (step for step in plan_of(OFFERED.sub("", out)).step if isinstance(step, MarginsStep))
    assert margins.links == (LIVE_SLOT,)
    _, out, _ = run("qualify", "--write-plan", "--sysfs", correlator().build().write(tmp_path / "other"))
    assert "No link here runs at 16 or 32 GT/s with lane margining" in out


def test_loads_that_find_something_make_a_soak() -> None:
    plan = plan_of(plan_text((), host="h", source="s", loads=["storage-read", "memory"], margined=[]))
    (soak,) = (step for step in plan.step if isinstance(step, SoakStep))
    assert soak.loads == ("storage-read", "memory")


def test_it_is_written_or_carried_out(run: Run) -> None:
    status, _, told = run("qualify", "plan.toml", "--write-plan")
    assert (status, "is given together with --write-plan" in told) == (64, True)
    status, _, told = run("qualify")
    assert (status, "no plan is named" in told) == (64, True)
