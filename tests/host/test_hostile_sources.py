"""Trees that are made to lead somewhere else, and names that are no text."""

import os
from pathlib import Path

from fake_sysfs.demonstration import correlator
from probe.evidence import Unread
from probe.host.machine import read_machine
from probe.host.opening import open_source


def test_links_out_of_a_copied_tree_are_not_followed(tmp_path: Path) -> None:
    sys = correlator().build().write(tmp_path / "copy")
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "label").write_text("of the reader's own machine")
    devices = "bus/pci/devices"
    name = min(path.name for path in (sys / devices).iterdir())
    real = (sys / devices / name).resolve()
    (real / "label").unlink(missing_ok=True)
    (real / "label").symlink_to(secret / "label")
    (sys / devices / "0000:99:00.0").symlink_to(secret)
    source = open_source(sys)
    for path in (f"sys/{devices}/{name}/label", f"sys/{devices}/0000:99:00.0/label"):
        found = source.text(path)
        assert isinstance(found, Unread)
        assert "leads out" in found.detail
        assert isinstance(source.open(path), Unread)
    assert isinstance(source.names(f"sys/{devices}/0000:99:00.0"), Unread)
    assert source.text(f"sys/{devices}/{name}/vendor") == (real / "vendor").read_text().strip()


def test_names_that_are_no_utf8_can_be_written(tmp_path: Path) -> None:
    sys = correlator().build().write(tmp_path / "copy")
    odd = sys / "bus/pci/slots" / os.fsdecode(b"sl\xffot")
    odd.mkdir(parents=True)
    (odd / "address").write_text("0000:01:00\n")
    evidence = read_machine(open_source(sys))
    assert "sl\\xffot" in [slot.name for slot in evidence.slots]
    for slot in evidence.slots:
        slot.name.encode()
