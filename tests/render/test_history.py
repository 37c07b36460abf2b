"""How links trained over boots, on a terminal."""

import io

import pytest
from rich.console import Console

from fake_sysfs.demonstration import correlator, correlator_after_load
from probe.audit.snapshot import take
from probe.compare.history import history
from probe.host.machine import read_machine
from probe.render.terminal import history as screen


def drawn(width: int) -> list[str]:
    taken = [take(read_machine(described.build().source())) for described in (correlator(), correlator_after_load())]
    out = io.StringIO()
    screen.render(history(taken), Console(file=out, width=width, highlight=False, markup=False))
    return out.getvalue().splitlines()


@pytest.mark.parametrize("width", [80, 120])
def test_what_a_person_looks_for_is_not_broken(width: int) -> None:
    """Addresses, serial numbers, states and counts each stand in one line of a screen."""
    lines = drawn(width)
    assert max(map(len, lines)) <= width
    for whole in ("0000:07:01.0", "4b-46-00-00-00-00-16-01", "16 GT/s x16", "correctable", "never"):
        assert any(whole in line for line in lines), whole
    assert len(lines) < 80
