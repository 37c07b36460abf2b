"""How long hypothesis searches for what breaks a law: a number of examples, times LINKPROBE_SEARCH for a long search.

No law fails because the machine that runs it is busy. Where CI is set, hypothesis makes the same examples each time.
"""

import os
from typing import Any

from hypothesis import HealthCheck, settings

TIMES = int(os.environ.get("LINKPROBE_SEARCH", "1"))
_USUAL = 100
_HEALTH = [HealthCheck.too_slow, HealthCheck.data_too_large]


def search(examples: int = _USUAL, **more: Any) -> settings:
    """So many examples for the law that this decorates."""
    return settings(max_examples=examples * TIMES, deadline=None, suppress_health_check=_HEALTH, **more)


PROFILE = "linkprobe"
settings.register_profile(PROFILE, search())
