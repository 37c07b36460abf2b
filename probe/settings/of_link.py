"""All settings of one link."""

import msgspec

from probe.links.link import Link, WhichEnd
from probe.settings.completion_timeout import CompletionTimeout, completion_timeouts
from probe.settings.payload import PayloadSizes, payload_sizes
from probe.settings.power_states import Aspm, aspm


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """What is set on a link, as its registers say. Nothing here is written, and no verdict rests on it."""

    payload: PayloadSizes = PayloadSizes()
    completion_timeout: dict[WhichEnd, CompletionTimeout] = {}
    aspm: Aspm = Aspm()


def settings_of(link: Link) -> Settings | None:
    """The settings of a link; None for an empty port."""
    if not link.functions:
        return None
    return Settings(payload=payload_sizes(link), completion_timeout=completion_timeouts(link), aspm=aspm(link))
