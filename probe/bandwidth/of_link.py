"""What one link carries, by its state and the payload sizes in force."""

import msgspec

from probe.bandwidth.ceiling import Ceiling


class Bandwidth(msgspec.Struct, frozen=True, kw_only=True):
    """Bytes a second (SI), one direction. The first two after line encoding; the ceiling after packet overhead.

    `read_floor_bytes_s` is what reads carry where each completion is only one Read Completion Boundary long.
    """

    negotiated_bytes_s: int | None = None
    possible_bytes_s: int | None = None
    ceiling_bytes_s: Ceiling = Ceiling()
    read_floor_bytes_s: int | None = None
    max_payload_size: int | None = None
    max_read_request_size: int | None = None
    flit_mode: bool | None = None
