"""How a snapshot in a spool is named: when, the running number that no clock can set back, and the host."""

import re

_NAME = re.compile(r"\d{8}T\d{6}Z-(\d{8,})-.+\.json\.gz")


def running_number(name: str) -> int | None:
    """The running number of a spool's file; None for a file that no spool named."""
    match = _NAME.fullmatch(name)
    return int(match[1]) if match else None
