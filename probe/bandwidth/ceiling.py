"""What a link can carry, one direction, bytes a second in SI units, at three layers named plainly.

Line rate after encoding; payload after packet overhead; reads, which the completions' size limits.
Sources: Base Specification 6.1, table 1-1 (encodings); Intel AN 855 and AN 690 (overhead of a packet); PCI-SIG webinar
on Flit error correction (242 of 256 bytes), and 236 of them for packets once the 6 link bytes are taken.
"""

from fractions import Fraction
from functools import lru_cache

import msgspec


class Ceiling(msgspec.Struct, frozen=True):
    """Most payload each way, bytes a second, at the negotiated state and the payload sizes in force."""

    to_host: int | None = None
    from_host: int | None = None


EIGHT_OF_TEN = Fraction(8, 10)
_128_OF_130 = Fraction(128, 130)
# Kernels before 6.8 count 64 GT/s as if 128b/130b encoded (63,015 Mb/s a lane); it is 1b/1b.
ENCODING: dict[float, Fraction] = {
    2.5: EIGHT_OF_TEN,
    5.0: EIGHT_OF_TEN,
    8.0: _128_OF_130,
    16.0: _128_OF_130,
    32.0: _128_OF_130,
    64.0: Fraction(1),
    128.0: Fraction(1),
}
ENCODING_AS_WRITTEN = {EIGHT_OF_TEN: "8/10", _128_OF_130: "128/130", Fraction(1): "1 (1b/1b)"}
FLIT_ALWAYS_FROM_GTS = 64.0
FLIT_PACKET_BYTES, FLIT_BYTES = 236, 256
FLIT_PACKET_SHARE = Fraction(FLIT_PACKET_BYTES, FLIT_BYTES)

HEADER_BYTES = 12
"""A header of three dwords: a completion, or a request to an address below 4 GiB (the ceiling's case)."""

FRAMING_BYTES = 8
"""Start (and end) and sequence number, 4 bytes, and the link CRC, 4 bytes; nothing of it in Flit mode."""

SMALLEST_COMPLETION = 64
"""The lesser Read Completion Boundary of a root complex, bytes."""


@lru_cache(maxsize=256)
def line_rate(speed_gts: float, width: int) -> Fraction:
    """Bytes a second after line encoding, exact. Raises KeyError for a speed that is none."""
    return Fraction(speed_gts) * 1_000_000_000 / 8 * ENCODING[speed_gts] * width


def line_rate_bytes_s(speed_gts: float, width: int) -> int:
    """Bytes a second after line encoding, rounded down."""
    return int(line_rate(speed_gts, width))


def uses_flits(speed_gts: float, *, flit_mode: bool | None) -> bool:
    """Flit mode as its status bit says; from 64 GT/s on there is no other."""
    return bool(flit_mode) or speed_gts >= FLIT_ALWAYS_FROM_GTS


def packet_share(payload: int, *, flit: bool, overhead: int | None = None) -> Fraction:
    """The share of the line rate left for payload in packets of `payload` bytes.

    `overhead` in bytes a packet takes the place of the three-dword header with its framing.
    """
    if flit:
        return FLIT_PACKET_SHARE * Fraction(payload, payload + (HEADER_BYTES if overhead is None else overhead))
    beside = HEADER_BYTES + FRAMING_BYTES if overhead is None else overhead
    return Fraction(payload, wire_bytes(payload, payload, beside))


def wire_bytes(size: int, largest: int, overhead: int) -> int:
    """Bytes on the wire for `size` bytes in packets of at most `largest`, each with `overhead` bytes beside them."""
    return -(-size // largest) * overhead + size


class Carries(msgspec.Struct, frozen=True):
    """Bytes a second at each layer, one direction, exact."""

    line: Fraction
    to_host: Fraction
    from_host: Fraction
    read_floor: Fraction


@lru_cache(maxsize=256)
def carries(speed_gts: float, width: int, payload: int, read_request: int, *, flit_mode: bool | None = None) -> Carries:
    """What a link of this state carries at these payload sizes (bytes).

    `to_host` is posted writes of full payload; `from_host` is reads answered in completions as large as both sizes
    allow; `read_floor` is reads answered one Read Completion Boundary at a time.
    """
    line = line_rate(speed_gts, width)
    flit = uses_flits(speed_gts, flit_mode=flit_mode)
    completion = min(payload, read_request)
    return Carries(
        line,
        line * packet_share(payload, flit=flit),
        line * packet_share(completion, flit=flit),
        line * packet_share(min(SMALLEST_COMPLETION, completion), flit=flit),
    )
