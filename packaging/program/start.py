"""The first thing that linkprobe.pyz runs: whether this Python will do, and where it may unpack itself.

The rest is shiv's own: it unpacks what Python cannot load from a zip into SHIV_ROOT, once, and starts from there. Every
Python 3 can read this file, so that one which is too old can say so.
"""

import os
import stat
import sys
import tempfile

PYTHONS = "@PYTHONS@"
MACHINE = "@MACHINE@"


def start() -> None:
    """Start linkprobe, or say in one sentence why that cannot be."""
    own = "{}.{}".format(*sys.version_info)
    if own not in PYTHONS.split():
        known = PYTHONS.replace(" ", ", ")
        fail("holds compiled parts for Python {}, and this is {}".format(known, own), "run it with one of those")
    if os.uname().machine != MACHINE:
        what = "holds compiled parts for {}, and this is {}".format(MACHINE, os.uname().machine)
        fail(what, "build it on a machine like this one")
    root = os.environ.get("SHIV_ROOT") or kept_place()
    if root is None:
        with tempfile.TemporaryDirectory(prefix="linkprobe-") as passing:
            run(passing)
    else:
        run(root)


def kept_place() -> "str | None":
    """The directory that it unpacks itself into once, or None where that would not do.

    Whoever can write there decides what this program is, so it has to be the user's own and nobody else's.
    """
    home = os.path.expanduser("~")
    place = os.path.join(os.environ.get("XDG_CACHE_HOME") or os.path.join(home, ".cache"), "linkprobe")
    try:
        if os.stat(home).st_uid != os.geteuid():
            return None
        os.makedirs(place, mode=0o700, exist_ok=True)
        about = os.stat(place)
    except OSError:
        return None
    shared = about.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    mine = about.st_uid == os.geteuid() and not shared
    return place if mine and os.access(place, os.W_OK) else None


def run(root: str) -> None:
    """Let shiv start the program from below `root`."""
    os.environ["SHIV_ROOT"] = root
    import _bootstrap  # what shiv puts beside this file

    try:
        _bootstrap.bootstrap()
    except OSError as error:
        fail("cannot be unpacked ({})".format(error), "set SHIV_ROOT to a directory with room that is yours alone")


def fail(what: str, remedy: str) -> None:
    """One sentence, and the status for wrong use."""
    sys.stderr.write("linkprobe: {}: {}; {}\n".format(sys.argv[0], what, remedy))
    sys.exit(64)
