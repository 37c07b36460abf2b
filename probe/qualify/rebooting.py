"""The machine started anew: the order to do so, and waiting for it. What goes on afterwards is the unit's business."""

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

from probe.qualify.signals import Asked

SYSTEMD_RUNS = "/run/systemd/system"
"""There where systemd is the system manager: sd_booted(3)."""
_PATIENCE_S = 900.0
_LOOK_S = 1.0


def reboot(run: Sequence[str], asked: Asked) -> str | None:
    """Ask for it and wait to be ended by it; why it did not come about, None where this process is asked to end."""
    try:
        done = subprocess.run(run, capture_output=True, check=False)  # noqa: S603 - what the plan asks for
    except OSError as error:
        return f"{run[0]} cannot be started ({error.strerror})"
    if done.returncode:
        return f"{' '.join(run)} ended with status {done.returncode}"
    waited = 0.0
    while asked.by is None:
        if waited >= _PATIENCE_S:
            return f"the machine was told to start anew and had not done so after {_PATIENCE_S:g} s"
        asked.wait(_LOOK_S)
        waited += _LOOK_S
    return None


def goes_on_by_itself(*, live: bool) -> str | None:
    """Why nothing would go on after the machine was started anew; None where a unit of systemd will."""
    if not live:
        return "the machine of --sysfs is not this host"
    if not Path(SYSTEMD_RUNS).is_dir():
        return "this host does not run systemd"
    if os.geteuid() != 0:
        return "a unit that goes on needs root"
    return None
