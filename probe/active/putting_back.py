"""All back as it was: registers and files first, then the links themselves. At the end of a run, and by `put-back`.

May live here: the order, and what a journal that was left behind asks for. May not: opening files under /sys.
"""

from probe.active.driver import Keeper
from probe.active.journal import Acted, Began, KeptFile, KeptRegister
from probe.active.restoring import Leftover, put_back
from probe.active.speed_steps import bring_back, settled
from probe.active.steps import Protocol


def all_back(began: Began, keeper: Keeper) -> Protocol[tuple[Leftover, ...]]:
    """Put back all that was kept; then retrain links that are below what they were. What is not as it was is given."""
    kept = [entry for entry in keeper.entries() if isinstance(entry, KeptRegister | KeptFile | Acted)]
    if not kept:
        return ()
    yield from settled(began)
    left = yield from put_back(began.scope, kept)
    links = yield from bring_back(began)
    if left:
        told = tuple(item for item in left if not item.writable)
        left = (*told, *(yield from put_back(began.scope, kept)))  # a link that came back may have made room for it
    return (*left, *links)
