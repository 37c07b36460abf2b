"""A load of a site that raises ends itself alone."""

from importlib.metadata import EntryPoint

import pytest

from probe.exceptions import InputError
from probe.loads import catalogue
from probe.loads.catalogue import find


def test_a_plug_in_that_raises_ends_only_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = EntryPoint("broken", "no_such_module_here:Load", catalogue.GROUPS[0])
    monkeypatch.setattr(catalogue, "entry_points", lambda group: [broken] if group == broken.group else [])
    with pytest.raises(InputError, match="cannot be made"):
        find("broken")
    with pytest.raises(InputError, match="no such load"):
        find("another")
    assert find("memory")
