"""The unit of systemd by which a qualification goes on after the machine was started anew, and its coming and going.

May live here: one file below /etc/systemd/system, and `systemctl`. The unit runs the very command that began the run.
"""

import subprocess
import sys
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from probe.documents.writing import write_atomically
from probe.exceptions import InputError
from probe.qualify.site import Site

UNITS = Path("/etc/systemd/system")
_NAME_DIGITS = 12
_TEXT = """\
# Written by linkprobe qualify, and taken away by it when the plan is at its end.
[Unit]
Description=linkprobe qualify goes on with {plan}
Documentation=man:linkprobe-qualify(1)
ConditionPathExists={journal}
After=local-fs.target

[Service]
Type=exec
WorkingDirectory={folder}
ExecStartPre=-udevadm settle --timeout=120
ExecStart={command}
# 1 failed, 2 urgent, 3 inconclusive: what was found of the machine is no failure of the unit.
SuccessExitStatus=1 2 3
# An active test puts back what it has changed before it ends.
TimeoutStopSec=120

[Install]
WantedBy=multi-user.target
"""


class Unit:
    """The unit of one run, known by its journal."""

    def __init__(self, site: Site) -> None:
        self._site = site
        digest = sha256(str(site.journal.resolve()).encode()).hexdigest()[:_NAME_DIGITS]
        self.name = f"linkprobe-qualify-{digest}.service"
        self.path = UNITS / self.name

    def enable(self, plan: Path) -> None:
        """Have the run go on at the next boot. Raises InputError where that cannot be had."""
        write_atomically(self.path, self.text(plan, sys.orig_argv, Path.cwd()).encode(), mode=0o644)
        try:
            self._systemctl("daemon-reload")
            self._systemctl("enable", self.name)
        except InputError:
            self.path.unlink()
            raise

    def disable(self) -> None:
        """Have it go on no more; nothing where it would not have."""
        if not self.path.exists():
            return
        self._systemctl("disable", self.name)
        self.path.unlink()
        self._systemctl("daemon-reload")

    def text(self, plan: Path, words: Sequence[str], folder: Path) -> str:
        """What stands in the unit's file."""
        command = " ".join(quoted(word) for word in (sys.executable, *words[1:]))
        journal, where = (_specifiers(str(path)) for path in (self._site.journal.resolve(), folder))
        return _TEXT.format(plan=_specifiers(plan.name), journal=journal, folder=where, command=command)

    def _systemctl(self, *words: str) -> None:
        try:
            done = subprocess.run(("systemctl", *words), capture_output=True, text=True, check=False)  # noqa: S603, S607 - the system's own, by its name
        except OSError as error:
            failure = error.strerror or "no reason given"
        else:
            failure = "" if not done.returncode else done.stderr.strip() or f"status {done.returncode}"
        if failure:
            what = f"does not do {' '.join(words)} ({failure})"
            raise InputError(what, where="systemctl", remedy="put by_hand = true to the plan's reboot, or mend systemd")


def quoted(word: str) -> str:
    """A word of a command line as systemd.service(5) takes it. Raises InputError for one with a control character."""
    if not word.isprintable():
        raise InputError("has a letter that no unit can hold", where=repr(word), remedy="rename it")
    return '"' + _specifiers(word).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$") + '"'


def _specifiers(text: str) -> str:
    return text.replace("%", "%%")
