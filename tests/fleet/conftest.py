"""A small made-up fleet in a store, shared by the tests of a process."""

from pathlib import Path
from typing import NamedTuple

import pytest

from fake_sysfs.fleet import Fleet, Planted, write
from probe.fleet.ingest import ingest
from probe.fleet.table import Store

FLEET = Fleet(hosts=40, days=3, faults=8, links=12)


class Filled(NamedTuple):
    """A store, the spools it was filled from, and the faults planted there."""

    store: Store
    spools: Path
    planted: list[Planted]


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    top = tmp_path_factory.mktemp("fleet")
    planted = write(FLEET, top / "spools")
    store = Store(str(top / "store"))
    assert ingest([top / "spools"], store).taken == FLEET.hosts * FLEET.days
    return Filled(store, top / "spools", planted)
