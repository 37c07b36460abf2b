"""The unit by which a run goes on at the next boot: what stands in it, when it comes and when it goes."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from probe.exceptions import InputError
from probe.qualify import rebooting, unit
from probe.qualify.site import Site
from probe.qualify.unit import Unit, quoted
from tests.conftest import Run
from tests.qualify.test_commands import plan_of

SYSTEMCTL = """#!/bin/sh
echo "$@" >> {told}
exit {status}
"""


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A host on which systemd seems to run: its units in a folder, and what `systemctl` is asked."""
    units, programs = tmp_path / "units", tmp_path / "bin"
    units.mkdir()
    programs.mkdir()
    _answering(tmp_path, 0)
    monkeypatch.setenv("PATH", f"{programs}:/usr/bin:/bin")
    monkeypatch.setattr(unit, "UNITS", units)
    monkeypatch.setattr(rebooting, "SYSTEMD_RUNS", str(units))
    return units


def _answering(folder: Path, status: int) -> None:
    program = folder / "bin/systemctl"
    program.write_text(SYSTEMCTL.format(told=folder / "told", status=status))
    program.chmod(0o755)


def site(folder: Path) -> Site:
    return Site(sysfs=None, folder=folder, record=folder / "r.json")


def test_systemd_itself_finds_nothing_wrong_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd-analyze is the witness."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    monkeypatch.setattr(unit, "UNITS", tmp_path)
    own = Unit(site(tmp_path))
    words = ["/usr/bin/python3", "-m", "probe", "qualify", 'a "plan" of 100%.toml', "--field", "operator=$A\\b"]
    own.path.write_text(own.text(Path('a "plan" of 100%.toml'), words, tmp_path))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(own.path)], capture_output=True, text=True, check=False
    )
    ours = [line for line in done.stderr.splitlines() if own.name in line]
    assert ours == []


def test_the_words_of_a_command_stay_what_they_are() -> None:
    """systemd.service(5), COMMAND LINES: quotes, C-style escapes, $$ and %%."""
    assert quoted('say "100%" of $HOME\\n') == '"say \\"100%%\\" of $$HOME\\\\n"'
    with pytest.raises(InputError, match="no unit can hold"):
        quoted("two\nlines")


def test_it_is_there_while_the_run_is_not_at_its_end(run: Run, tmp_path: Path, systemd: Path) -> None:
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["/bin/ls", "units"]\n', head="goes_on_at_boot = true")
    status, out, _ = run("qualify", plan, "-o", tmp_path / "r.json", "--json")
    if status == 64:
        assert "needs root" in out
        pytest.skip("needs root")
    assert ".service" in out  # the command saw it
    name = Unit(site(tmp_path)).name
    told = (tmp_path / "told").read_text().splitlines()
    assert told == ["daemon-reload", f"enable {name}", f"disable {name}", "daemon-reload"]
    assert list(systemd.iterdir()) == []


def test_without_it_nothing_is_begun(run: Run, tmp_path: Path, systemd: Path) -> None:
    _answering(tmp_path, 1)
    plan = plan_of(tmp_path, '[[step]]\nkind = "reboot"\n')
    status, _, told = run("qualify", plan, "-o", tmp_path / "r.json")
    assert status == 64
    assert "does not do daemon-reload" in told or "needs root" in told
    assert not (tmp_path / "r.json.journal").exists()
    assert list(systemd.iterdir()) == []


def test_the_very_command_is_given_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, systemd: Path) -> None:
    monkeypatch.setattr(sys, "orig_argv", ["python3", "/usr/bin/linkprobe", "qualify", "p.toml", "--go"])
    monkeypatch.chdir(tmp_path)
    own = Unit(site(tmp_path))
    own.enable(Path("p.toml"))
    text = own.path.read_text()
    assert f'ExecStart="{sys.executable}" "/usr/bin/linkprobe" "qualify" "p.toml" "--go"\n' in text
    assert f"WorkingDirectory={tmp_path}\n" in text
    assert f"ConditionPathExists={tmp_path / 'r.json.journal'}\n" in text
    own.disable()
    own.disable()
    assert not own.path.exists()
