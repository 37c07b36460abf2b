"""What makers of boards leave in the strings of the firmware that they do not fill. From memory; no published list."""

import re

_PLACEHOLDER = re.compile(
    r"|to be filled.*|default string|not (specified|available|applicable)|system (serial number|product name)|none|n/a"
    r"|unknown|o\.?e\.?m\.?|[0x.\s-]+|0?123456789.*",
    re.IGNORECASE,
)


def is_stated(text: str | None) -> bool:
    """Whether a string of the firmware says anything."""
    return text is not None and _PLACEHOLDER.fullmatch(text.strip()) is None
