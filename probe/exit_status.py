"""The exit statuses, and the one place that decides which of them a finding ends in."""

from enum import IntEnum


class ExitStatus(IntEnum):
    """Exit statuses shared by every command that judges."""

    CLEAN = 0
    FOUND = 1
    URGENT = 2
    NOTHING_JUDGED = 3
    USAGE = 64  # EX_USAGE of sysexits.h, so that misuse never reads as an alarm
    INTERNAL = 70  # EX_SOFTWARE: an error of the program itself never reads as one either


def status_of(*, urgent: bool, found: bool, judged: bool) -> ExitStatus:
    """The status of what was found: urgent before found, and both before nothing judged."""
    if urgent:
        return ExitStatus.URGENT
    if found:
        return ExitStatus.FOUND
    return ExitStatus.CLEAN if judged else ExitStatus.NOTHING_JUDGED
