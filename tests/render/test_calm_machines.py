"""Machines of tunnels alone and machines that hold nothing get a calm sentence, on every medium; others get none."""

from pathlib import Path

import pytest

from fake_sysfs import Machine, card, machine, root_port
from probe.registers.slot import SlotStatus
from tests.conftest import Run

TUNNEL = root_port("0000:00:07.0", "2.5 GT/s x4").holds(card("2.5 GT/s x4", attributes={"removable": "removable"}))
EMPTY, NO_SLOT = root_port("0000:00:01.0", "8 GT/s x4", slot=1), root_port("0000:00:02.0", "8 GT/s x4")
CARD = root_port("0000:00:03.0", "8 GT/s x4", slot=3).holds(card("8 GT/s x4"))
LOST = root_port("0000:00:04.0", "8 GT/s x4", slot=4, registers={SlotStatus.presence_detect_state: "card present"})
TUNNELS, NOTHING = "Only tunnels here", "Nothing is attached to any port"


@pytest.mark.parametrize(
    ("described", "root", "told", "status"),
    [
        (machine(TUNNEL), True, TUNNELS, 3),
        (machine(TUNNEL), False, TUNNELS, 3),
        (machine(TUNNEL, EMPTY), True, TUNNELS, 0),
        (machine(EMPTY, NO_SLOT), True, NOTHING, 0),
        (machine(EMPTY, NO_SLOT), False, None, 3),
        (machine(TUNNEL, EMPTY), False, None, 3),
        (machine(TUNNEL, CARD), True, None, 0),
        (machine(EMPTY, LOST), True, None, 1),
        (machine(TUNNEL, LOST), True, None, 1),
    ],
)
def test_a_calm_sentence(
    described: Machine, root: bool, told: str | None, status: int, tmp_path: Path, run: Run
) -> None:
    tree = described.build() if root else described.build().unprivileged()
    sys = tree.write(tmp_path)
    ended, screen, _ = run("audit", "--sysfs", sys)
    kept, page = tmp_path / "kept.json", tmp_path / "page.html"
    run("snapshot", "--sysfs", sys, "-o", kept)
    run("report", kept, "-o", page)
    assert ended == status
    for text in (screen, page.read_text()):
        assert [words for words in (TUNNELS, NOTHING) if words in text] == ([] if told is None else [told])
    assert run("audit", "--quiet", "--sysfs", sys)[1].count("\n") == (1 if status == 1 else 0)
