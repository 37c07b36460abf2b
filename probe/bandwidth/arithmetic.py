"""The bandwidth arithmetic of a stated link, step by step."""

import re

import msgspec

from probe.bandwidth.ceiling import (
    ENCODING,
    ENCODING_AS_WRITTEN,
    FLIT_BYTES,
    FLIT_PACKET_BYTES,
    FRAMING_BYTES,
    HEADER_BYTES,
    SMALLEST_COMPLETION,
    Ceiling,
    carries,
    uses_flits,
)
from probe.counted import counted
from probe.exceptions import InputError
from probe.registers.values import PAYLOAD_SIZES, WIDTHS
from probe.schemas import Schema

_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*(?:GT/s)?", re.IGNORECASE)
_WIDTH = re.compile(r"[xX]?(\d+)")


class Step(msgspec.Struct, frozen=True):
    """One line of the calculation and its result in bytes a second."""

    what: str
    reckoning: str
    bytes_s: int


class Arithmetic(msgspec.Struct, frozen=True, kw_only=True):
    """What a link of this state carries, one direction, bytes a second."""

    schema: str = Schema.CEILING
    speed_gts: float
    width: int
    max_payload_size: int
    max_read_request_size: int
    flit_mode: bool
    line_bytes_s: int
    ceiling_bytes_s: Ceiling
    read_floor_bytes_s: int
    steps: tuple[Step, ...]


def arithmetic(speed: str, width: str, payload: int, read_request: int) -> Arithmetic:
    """Calculate the ceiling of a link given as a person writes it. Raises InputError."""
    gts, lanes = parse_speed(speed), parse_width(width)
    for name, size in (("--payload", payload), ("--read-request", read_request)):
        if size not in PAYLOAD_SIZES:
            sizes = ", ".join(map(str, PAYLOAD_SIZES))
            raise InputError("no such size", where=f"{name} {size}", remedy=f"choose among {sizes}")
    carried = carries(gts, lanes, payload, read_request)
    flit = uses_flits(gts, flit_mode=None)
    completion = min(payload, read_request)
    raw = gts * 1e9 * lanes / 8
    encoding = ENCODING[gts]
    coded = ENCODING_AS_WRITTEN[encoding]
    steps = (
        Step("bits on the wire", f"{gts:g} GT/s x {counted(lanes, 'lane')} / 8", int(raw)),
        Step("line rate after encoding", f"x {coded}", int(carried.line)),
        Step("payload to the host", _share(payload, flit=flit), int(carried.to_host)),
        Step("payload from the host, full completions", _share(completion, flit=flit), int(carried.from_host)),
        Step(
            "payload from the host, smallest completions",
            _share(SMALLEST_COMPLETION, flit=flit),
            int(carried.read_floor),
        ),
    )
    return Arithmetic(
        speed_gts=gts,
        width=lanes,
        max_payload_size=payload,
        max_read_request_size=read_request,
        flit_mode=flit,
        line_bytes_s=int(carried.line),
        ceiling_bytes_s=Ceiling(int(carried.to_host), int(carried.from_host)),
        read_floor_bytes_s=int(carried.read_floor),
        steps=steps,
    )


def _share(size: int, *, flit: bool) -> str:
    if flit:
        return f"x {FLIT_PACKET_BYTES}/{FLIT_BYTES} x {size}/({size} + {HEADER_BYTES})"
    return f"x {size}/({size} + {HEADER_BYTES} header + {FRAMING_BYTES} framing and CRC)"


def parse_speed(text: str) -> float:
    """GT/s as a person writes it. Raises InputError."""
    match = _SPEED.fullmatch(text.strip())
    gts = float(match[1]) if match else 0.0
    if gts not in ENCODING:
        known = ", ".join(f"{speed:g}" for speed in ENCODING)
        raise InputError("no such link speed", where=f"SPEED {text!r}", remedy=f"choose among {known} GT/s")
    return gts


def parse_width(text: str) -> int:
    """Lanes as a person writes them. Raises InputError."""
    match = _WIDTH.fullmatch(text.strip())
    lanes = int(match[1]) if match else 0
    if lanes not in WIDTHS:
        known = ", ".join(f"x{width}" for width in sorted(WIDTHS))
        raise InputError("no such link width", where=f"WIDTH {text!r}", remedy=f"choose among {known}")
    return lanes
