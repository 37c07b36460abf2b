"""linkprobe capture-script."""

import sys

from probe.host.capture import script


def capture_script() -> None:
    """Print a shell script that collects evidence where there is no Python.

    Run it there as root: sh capture.sh [FILE.tar]. It reads, wakes nothing, and needs no more than BusyBox. Whatever
    command reads a snapshot takes the tar in its place.
    """
    sys.stdout.write(script())
