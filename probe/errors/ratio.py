"""The bit error ratio of a link as a document: the estimate, its exact bounds, and how long it must run clean."""

import msgspec

from probe.bandwidth.arithmetic import parse_speed, parse_width
from probe.errors.bit_error_ratio import TARGET, clean_seconds, interval, upper_mean
from probe.exceptions import InputError
from probe.schemas import Schema

_FLIT_GTS = 64.0
_MOST_HOURS = 1e7  # over a thousand years
_LEAST_RATIO = 1e-40


class Ratio(msgspec.Struct, frozen=True, kw_only=True):
    """Bits are those of one direction of the whole link. Bounds are exact (Poisson, Garwood)."""

    schema: str = Schema.RATIO
    speed_gts: float
    width: int
    confidence: float
    target: float
    clean_s: float
    errors: int | None = None
    hours: float | None = None
    bits: float | None = None
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    upper: float | None = None


def ratio(  # noqa: PLR0913 - what a person may state
    speed: str, width: str, *, errors: int | None, hours: float | None, confidence: float, target: float = TARGET
) -> Ratio:
    """The ratio of `errors` in `hours` at this state; only the clean time without them. Raises InputError."""
    gts, lanes = parse_speed(speed), parse_width(width)
    if gts >= _FLIT_GTS:
        what = "a link in Flit mode corrects errors as a part of normal work: the ratio does not apply"
        raise InputError(what, where=f"SPEED {speed!r}", remedy="give 32 GT/s or less")
    if (errors is None) != (hours is None):
        raise InputError("one was given without the other", where="--errors and --hours", remedy="give both")
    if hours is not None and not 0 < hours < _MOST_HOURS:
        raise InputError("is no time a link can run", where=f"--hours {hours:g}", remedy="give more than 0, as 24")
    if not _LEAST_RATIO < target < 1:
        raise InputError("is no ratio", where=f"--target {target:g}", remedy="give one between 0 and 1, as 1e-12")
    bits_s = gts * 1e9 * lanes
    clean = clean_seconds(bits_s, target, confidence)
    if errors is None or hours is None:
        return Ratio(speed_gts=gts, width=lanes, confidence=confidence, target=target, clean_s=clean)
    bits = bits_s * hours * 3600.0
    low, high = interval(errors, confidence)
    found = Ratio(speed_gts=gts, width=lanes, confidence=confidence, target=target, clean_s=clean)
    return msgspec.structs.replace(
        found,
        errors=errors,
        hours=hours,
        bits=bits,
        estimate=errors / bits,
        low=low / bits,
        high=high / bits,
        upper=upper_mean(errors, confidence) / bits,
    )
