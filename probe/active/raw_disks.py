"""The guard of a soak that overwrites raw disks: the same walk as before a link is tested."""

from collections.abc import Iterable
from pathlib import Path

from probe.active.journal import LIVE_SYS, there_already
from probe.active.users import users_of_file
from probe.exceptions import InputError
from probe.host.source import Source
from probe.host.uses import read_uses


def refuse_disks_in_use(files: Iterable[str], source: Source) -> None:
    """Raise InputError where anybody uses one of these disks, or an active test is running on this host.

    The load opens them exclusively besides, and holds them for as long as it writes.
    """
    running = there_already(LIVE_SYS)
    if running is not None:
        raise InputError(running, where="soak --raw", remedy="then begin anew")
    uses = read_uses(source)
    for file in files:
        users = users_of_file(str(Path(file).resolve()), uses)
        if users:
            what = f"is in use ({'; '.join(dict.fromkeys(users))})"
            raise InputError(what, where=file, remedy="name a disk that nothing uses")
