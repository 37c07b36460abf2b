"""What a chosen time can show on each link, said before it starts."""

from collections.abc import Iterable

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.errors.bit_error_ratio import upper_mean

_CONFIDENCE = 0.95


class Shows(msgspec.Struct, frozen=True, kw_only=True):
    """The bit error ratio that the time shows on one link without an error, one direction, at 95 %; None for Flits."""

    place: str
    title: str
    ratio: float | None


def shows(links: Iterable[LinkDocument], seconds: float) -> tuple[Shows, ...]:
    """What this time can show."""
    return tuple(Shows(place=link.place_id, title=title(link), ratio=_ratio(link, seconds)) for link in links)


def _ratio(link: LinkDocument, seconds: float) -> float | None:
    now = link.possible if link.possible.speed_gts is not None else link.negotiated
    if now.speed_gts is None or now.width is None or link.bandwidth.flit_mode or seconds <= 0:
        return None
    return upper_mean(0, _CONFIDENCE) / (now.speed_gts * 1e9 * now.width * seconds)
