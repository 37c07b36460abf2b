"""The time between two snapshots: whether the machine was started anew, how long it was, which came first."""

from datetime import datetime

import msgspec

from probe.evidence import Host


class Interval(msgspec.Struct, frozen=True, kw_only=True):
    """From one snapshot to the next. `elapsed_s` is by the boot clock: since boot across one, None where not known."""

    rebooted: bool = False
    backwards: bool = False
    elapsed_s: float | None = None


_CLOCKS_DIFFER_S = 60.0


def interval(before: Host, after: Host) -> Interval:
    """The time from one snapshot of a machine to another, as their clocks and boot ids tell."""
    wall_s = _wall_s(before, after)
    rebooted = _rebooted(before, after, wall_s)
    if rebooted:
        return Interval(rebooted=True, backwards=wall_s is not None and wall_s < 0, elapsed_s=after.uptime_s)
    if before.uptime_s is None or after.uptime_s is None:
        backwards = wall_s is not None and wall_s < 0
        return Interval(backwards=backwards, elapsed_s=None if backwards else wall_s)
    elapsed_s = after.uptime_s - before.uptime_s
    return Interval(backwards=elapsed_s < 0, elapsed_s=elapsed_s if elapsed_s >= 0 else None)


def _rebooted(before: Host, after: Host, wall_s: float | None) -> bool:
    """By the boot ids; where one was not read, by an uptime that is too short for the time gone by."""
    if before.boot_id is not None and after.boot_id is not None:
        return before.boot_id != after.boot_id
    if wall_s is None or wall_s < 0 or after.uptime_s is None:
        return False
    return after.uptime_s + _CLOCKS_DIFFER_S < max(wall_s, before.uptime_s or 0.0)


def _wall_s(before: Host, after: Host) -> float | None:
    try:
        return (datetime.fromisoformat(after.taken_at) - datetime.fromisoformat(before.taken_at)).total_seconds()
    except (TypeError, ValueError):  # one without its zone, or no time at all
        return None
