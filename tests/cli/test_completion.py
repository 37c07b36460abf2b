"""Completion as a person meets it: real shells at a real terminal, a tab typed, the line entered."""

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from tests.conftest import Run

BASH_COMPLETION = Path("/usr/share/bash-completion/bash_completion")
_REQUIRED = os.environ.get("LINKPROBE_PACKAGES") == "required"


@pytest.fixture
def folder(run: Run, tmp_path: Path) -> Path:
    """A folder with the scripts, a /sys tree, and a `linkprobe` that completes as ours and otherwise shows its words."""
    port = root_port("0000:00:01.0", "8 GT/s x4", slot=7, slot_name="upper riser").holds(card("8 GT/s x4"))
    machine(port).build().write(tmp_path / "tree")
    for shell in ("bash", "zsh", "fish"):
        (tmp_path / f"script.{shell}").write_text(run("completion", shell)[1])
    program = tmp_path / "linkprobe"
    program.write_text(
        f'#!/bin/sh\nif [ -n "$_LINKPROBE_COMPLETE" ]; then exec {sys.executable} -m probe; fi\n'
        "printf '<%s>' \"$@\"\necho .\n"
    )
    program.chmod(0o755)
    return tmp_path


def environment(folder: Path) -> dict[str, str]:
    return {
        "PATH": f"{folder}:/usr/bin:/bin", "PYTHONPATH": str(Path(__file__).parents[2]), "HOME": str(folder),
        "TERM": "dumb", "PS1": "$ ", "PROMPT": "$ ", "LC_ALL": "C.UTF-8",
    }  # fmt: skip


def needs(program: str | Path) -> None:
    if shutil.which(program) is None and not Path(program).is_file():
        assert not _REQUIRED, f"{program} is required here"
        pytest.skip(f"{program} is not here")


class Terminal:
    """A shell at a terminal of its own."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self.process, self.descriptor = pty.fork()
        if self.process == 0:
            os.chdir(folder)
            os.execvpe(command[0], command, environment(folder))  # noqa: S606 - the shell itself

    def type(self, keys: str, awaited: str) -> str:
        """Type, and give what the terminal showed once `awaited` is in it."""
        os.write(self.descriptor, keys.encode())
        shown, until = "", time.monotonic() + 30
        while awaited not in shown:
            ready, _, _ = select.select([self.descriptor], [], [], max(until - time.monotonic(), 0))
            assert ready, f"{awaited!r} never came: {shown!r}"
            shown += os.read(self.descriptor, 4096).decode(errors="replace")
        return shown

    def close(self) -> None:
        os.write(self.descriptor, b"\x03exit\n")
        time.sleep(0.2)
        os.close(self.descriptor)
        os.waitpid(self.process, 0)


# What is typed, and the words that the program then gets. Addresses keep their colons, names their blanks.
TYPED = (
    ("capt\t", "<capture-script>."),
    ("audit --str\t", "<audit><--strict>."),
    ("explain --sysfs tree 0000:01\t", "<explain><--sysfs><tree><0000:01:00.0>."),
    ("soak --sysfs tree --link upp\t", "<soak><--sysfs><tree><--link><upper riser>."),
    ("report script.f\t", "<report><script.fish>."),
)


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_at_a_terminal(shell: str, folder: Path) -> None:
    needs(shell)
    if shell == "bash":
        needs(BASH_COMPLETION)
        command, ready = ["bash", "--norc", "--noprofile", "-i"], f". {BASH_COMPLETION}; . ./script.bash; "
    else:
        command, ready = ["zsh", "-f", "-i"], "autoload -Uz compinit; compinit -u; . ./script.zsh; "
    terminal = Terminal(command, folder)
    try:
        terminal.type(ready + "echo re''ady\n", "ready")
        for keys, words in TYPED:
            terminal.type(f"linkprobe {keys}", "linkprobe")
            time.sleep(1.5)
            terminal.type("\n", words)
    finally:
        terminal.close()


def test_fish(folder: Path) -> None:
    needs("fish")
    for keys, words in TYPED:
        line = f"linkprobe {keys}".strip("\t")
        offered = subprocess.run(
            ["fish", "--no-config", "-c", f"source script.fish; complete -C '{line}'"],
            cwd=folder, env=environment(folder), capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        last = words.strip("<>.").split("><")[-1]
        assert last in {row.partition("\t")[0] for row in offered.splitlines()}, (line, offered)


def test_an_unknown_shell(run: Run) -> None:
    status, _, told = run("completion", "tcsh")
    assert status == 64
    assert "'tcsh' is not one of 'bash', 'zsh', 'fish'" in told
