"""Encodings that several registers share: speeds, widths, sizes, latencies."""

from probe.registers.table_language import Meaning, names

SPEED_GTS: dict[int, float] = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0, 6: 64.0, 7: 128.0}
"""Link speed codes, GT/s. Base Specification 6.x, 7.5.3.18; code 7 from 7.0 (from memory)."""

LANES = 32
"""The most lanes that a register names."""

WIDTHS = frozenset({1, 2, 4, 8, 12, 16, 32})
"""Lanes that a link can have. Base Specification 6.x, 7.5.3.6."""


def speed_of_vector(vector: int) -> tuple[float, ...]:
    """The speeds, GT/s ascending, of a Supported Link Speeds Vector (bit 0 is 2.5 GT/s)."""
    return tuple(speed for code, speed in SPEED_GTS.items() if vector >> (code - 1) & 1)


def lanes_in(mask: int) -> tuple[int, ...]:
    """The lanes whose bits are set in a mask, lowest first."""
    return tuple(lane for lane in range(LANES) if mask >> lane & 1)


def _width(raw: int) -> int | None:
    return raw if raw in WIDTHS else None


PAYLOAD_SIZES = tuple(128 << code for code in range(6))
"""Max_Payload_Size and Max_Read_Request_Size by code, bytes. Base Specification 6.x, 7.5.3.4."""


def _payload(raw: int) -> int | None:
    return PAYLOAD_SIZES[raw] if raw < len(PAYLOAD_SIZES) else None  # 110b and 111b are reserved


def _l0s(raw: int) -> str:
    return "over 4 us" if raw == 7 else f"up to {64 << raw} ns"  # noqa: PLR2004 - 111b means no limit


def _l1(raw: int) -> str:
    return "over 64 us" if raw == 7 else f"up to {1 << raw} us"  # noqa: PLR2004 - 111b means no limit


def _speeds(raw: int) -> str:
    return ", ".join(f"{speed:g}" for speed in speed_of_vector(raw)) or "none stated"


SPEED: Meaning[float] = Meaning(SPEED_GTS.get, " GT/s")
WIDTH: Meaning[int] = Meaning(_width, " lanes", one=" lane")
PAYLOAD: Meaning[int] = Meaning(_payload, " bytes")
L0S_EXIT: Meaning[str] = Meaning(_l0s)
L1_EXIT: Meaning[str] = Meaning(_l1)
SPEEDS: Meaning[tuple[float, ...]] = Meaning(speed_of_vector, " GT/s", _speeds)
LANE_MASK: Meaning[tuple[int, ...]] = Meaning(lanes_in, write=hex)
POWER_SCALE = names({0: "x 1 W", 1: "x 0.1 W", 2: "x 0.01 W", 3: "x 0.001 W"})
