"""Live screens on terminals of several sizes, as a person sees them."""

import sys
from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from probe.soak.journal import End
from probe.soak.reading import read_entries
from tests.terminal import Terminal

CTRL_C = b"\x03"
SLOTS = 40


@pytest.fixture
def forty(tmp_path: Path) -> Path:
    """A machine of forty slots."""
    ports = [
        root_port(f"{number // 20:04x}:00:{number % 20 + 1:02x}.0", "16 GT/s x4", slot=number + 1).holds(
            card("16 GT/s x4")
        )
        for number in range(SLOTS)
    ]
    return machine(*ports).build().write(tmp_path / "forty")


def counter(sys_root: Path, slot: int) -> Path:
    """The correctable counter of the card in a slot."""
    (port,) = (sys_root / f"devices/pci{(slot - 1) // 20:04x}:00").glob(f"*:{(slot - 1) % 20 + 1:02x}.0")
    (card_below,) = port.glob("0*")
    return card_below / "aer_dev_correctable"


def probe(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "probe", *map(str, arguments)]


def rows(seen: list[str]) -> list[str]:
    return [line for line in seen if line.startswith(("calm", "errors"))]


@pytest.mark.parametrize(("columns", "lines", "shown"), [(80, 24, 13), (120, 40, 23)])
def test_watch(forty: Path, columns: int, lines: int, shown: int) -> None:
    terminal = Terminal(probe("watch", "--sysfs", forty, "--interval", "0.2"), columns, lines)
    terminal.until(lambda seen: any(line.startswith("and ") and line.endswith("more, calm") for line in seen))
    counter(forty, 33).write_text("RxErr 3\nBadTLP 2\n")
    seen = terminal.until(lambda seen: len(rows(seen)) >= shown and any("Bad TLP" in line for line in seen))
    assert rows(seen)[0].split()[:3] == ["errors", "slot", "33"]
    assert any(line.endswith("slot 33  2 correctable: Bad TLP at the component") for line in seen)
    assert "40 links, 0:00:" in seen[0]
    assert seen[0].endswith("until Ctrl-C")
    terminal.type(CTRL_C)
    assert terminal.close() == 130


def test_without_colour(forty: Path) -> None:
    for environment, coloured in (({}, True), ({"NO_COLOR": "1"}, False)):
        terminal = Terminal(probe("watch", "--sysfs", forty, "--interval", "0.2"), 80, 24, **environment)
        terminal.until(lambda seen: any(line.startswith("calm") for line in seen))
        assert (b"\x1b[32m" in terminal.written) is coloured
        terminal.type(CTRL_C)
        terminal.close()


def test_soak(forty: Path, tmp_path: Path) -> None:
    record = tmp_path / "record"
    terminal = Terminal(probe("soak", "--sysfs", forty, "--minutes", "5", "--interval", "0.2", "-o", record), 80, 24)
    seen = terminal.until(lambda seen: any(line.startswith("and ") for line in seen))
    (head,) = (line for line in seen if line.startswith("40 links, "))
    assert " left, ends " in head
    counter(forty, 7).write_text("RxErr 3\n")
    terminal.until(lambda seen: any("slot 7  3 correctable: Receiver Error" in line for line in seen))
    terminal.type(CTRL_C)
    assert terminal.close() == 3
    assert isinstance(read_entries(record)[-1], End)


def test_a_terminal_that_is_closed_leaves_a_whole_record(forty: Path, tmp_path: Path) -> None:
    record = tmp_path / "record"
    terminal = Terminal(probe("soak", "--sysfs", forty, "--minutes", "5", "--interval", "0.2", "-o", record), 80, 24)
    terminal.until(lambda seen: any(line.startswith("and ") for line in seen))
    terminal.hang_up()
    last = read_entries(record)[-1]
    assert isinstance(last, End)
    assert last.why == "ended by SIGHUP"
