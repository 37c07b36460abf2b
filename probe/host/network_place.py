"""A network namespace of this thread's own, into which interfaces are taken and in which nobody else sees them.

The kernel gives them back, set down, when the last thread in it ends, whatever ended it. Interfaces are moved by ip(8).
"""

import ctypes
import os
import shutil
import subprocess
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from probe.exceptions import InputError
from probe.host.network_interfaces import has_carrier

_NEW_NETWORK = 0x40000000
"""CLONE_NEWNET of linux/sched.h."""
_PLACES = f"{os.defpath}:/usr/sbin:/sbin"
_LOOKS_EVERY_S = 0.05


def program() -> str | None:
    """Where ip(8) is."""
    return shutil.which("ip", path=f"{os.environ.get('PATH', '')}:{_PLACES}")


def take_into_a_place_of_its_own(*names: str) -> None:
    """Have this thread, and those that it starts, alone with these interfaces, set up. Raises OSError, InputError."""
    ip = program()
    if ip is None:
        raise InputError("ip of iproute2 is not installed", where="--load network", remedy="install iproute2")
    with ThreadPoolExecutor(1) as outside:
        outside.submit(threading.get_native_id).result()  # a thread that stays where all others are
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.unshare(ctypes.c_int(_NEW_NETWORK)):
            raise OSError(ctypes.get_errno(), f"no network namespace of its own: {os.strerror(ctypes.get_errno())}")
        here = str(threading.get_native_id())
        for name in names:
            outside.submit(_run, ip, "link", "set", "dev", name, "netns", here).result()
    for name in names:
        _run(ip, "link", "set", "dev", name, "up")


def wait_for_carrier(name: str, seconds: float) -> bool:
    """Whether a cable is seen at an interface that was just set up; training a link of copper takes seconds."""
    until = time.monotonic() + seconds
    while not has_carrier(name):
        if time.monotonic() > until:
            return False
        time.sleep(_LOOKS_EVERY_S)
    return True


def _run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - a program of the system
    if done.returncode:
        raise OSError(f"{' '.join(command[1:])}: {done.stderr.strip()}")
