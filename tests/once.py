"""What takes long is made once, whoever asks: workers of one session, and sessions after each other."""

import fcntl
import shutil
from collections.abc import Callable
from pathlib import Path


def made_once(path: Path, make: Callable[[Path], object]) -> Path:
    """`path`, made under another name first so that it is whole."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.with_name(f".{path.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not path.exists():
            making = path.with_name(f".{path.name}.making")
            shutil.rmtree(making, ignore_errors=True)
            making.unlink(missing_ok=True)
            make(making)
            making.rename(path)
    return path
