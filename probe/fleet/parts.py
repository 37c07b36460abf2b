"""Which parts make up a store, and which bucket of them a host belongs to. Pure."""

from collections.abc import Mapping
from functools import lru_cache
from hashlib import sha256

import msgspec

_BITS = 256
ROOT, ASIDE = "r", "aside"


class Part(msgspec.Struct, frozen=True):
    """One Parquet file: where it is below the store, which rows it holds and how many, and its size in bytes."""

    path: str
    kind: str
    bucket: str
    size: int
    rows: int


def bits(host: str) -> str:
    """The binary digits of a host's digest, from which the name of its bucket comes."""
    return ROOT + f"{int.from_bytes(sha256(host.encode()).digest(), 'big'):0{_BITS}b}"


def bucket_of(host: str, buckets: frozenset[str]) -> str:
    """The one of `buckets` that a host belongs to, or the one to begin for it: the largest that overlaps none."""
    digits, inner = bits(host), _inner(buckets)
    return next(name for end in range(len(ROOT), len(digits)) if (name := digits[:end]) in buckets or name not in inner)


@lru_cache(maxsize=4)
def _inner(buckets: frozenset[str]) -> frozenset[str]:
    """Those that were split."""
    return frozenset(bucket[:end] for bucket in buckets for end in range(len(ROOT), len(bucket)))


class Version(msgspec.Struct, frozen=True):
    """The store as one commit left it."""

    number: int
    parts: tuple[Part, ...]
    settings: Mapping[str, int]

    @property
    def buckets(self) -> frozenset[str]:
        """Every bucket that hosts are in."""
        return frozenset(part.bucket for part in self.parts) - {ASIDE}

    def of(self, bucket: str) -> dict[str, list[Part]]:
        """The parts of one bucket by kind."""
        found: dict[str, list[Part]] = {}
        for part in self.parts:
            if part.bucket == bucket:
                found.setdefault(part.kind, []).append(part)
        return found
