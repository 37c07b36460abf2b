"""Dumps as people make them: in other orders, bases and encodings, with holes, of several functions."""

import codecs
from collections.abc import Callable

import pytest

from fake_sysfs import card, machine, root_port
from probe.documents.dump import configs_from_dump
from probe.exceptions import InputError
from probe.registers.space import ConfigSpace

ADDRESS = "0000:01:00.0"
TREE = machine(root_port("0000:00:01.0", "16 GT/s x16").holds(card("16 GT/s x16", serial=7))).build()
CONFIG = next(data for path, data in TREE.files.items() if path.endswith(f"{ADDRESS}/config"))
PORT = next(data for path, data in TREE.files.items() if path.endswith("0000:00:01.0/config"))


def rows(data: bytes, *, base: str = "03x", step: int = 16, joint: str = " ", colon: str = ":") -> list[str]:
    return [
        f"{at:{base}}{colon} {data[at : at + step].hex(joint) if joint else data[at : at + step].hex()}"
        for at in range(0, len(data), step)
    ]


def words(data: bytes, size: int, *, little: bool) -> str:
    lines = []
    for at in range(0, len(data), 16):
        parts = [data[start : start + size] for start in range(at, at + 16, size)]
        lines.append(f"{at:08x}  " + " ".join((part[::-1] if little else part).hex() for part in parts))
    return "\n".join(lines)


def joined(lines: list[str]) -> bytes:
    return "\n".join(lines).encode()


def turned(data: bytes, size: int) -> bytes:
    """As a host of the other byte order writes words of this size."""
    return b"".join(data[at : at + size][::-1] for at in range(0, len(data), size))


def dashed(data: bytes) -> list[str]:
    return [
        f"{at:03x}: {data[at : at + 8].hex(' ')}-{data[at + 8 : at + 16].hex(' ')}" for at in range(0, len(data), 16)
    ]


def lettered(data: bytes) -> list[str]:
    return [f"{line}  |{'.' * 14}ab|" for line in rows(data)]


WAYS: dict[str, Callable[[bytes], bytes]] = {
    "raw bytes": bytes,
    "hexadecimal offsets": lambda data: joined(rows(data)),
    "rows of 32": lambda data: joined(rows(data, step=32)),
    "rows of 4": lambda data: joined(rows(data, step=4)),
    "letters beside": lambda data: joined(lettered(data)),
    "decimal offsets": lambda data: joined(rows(data, base="04d")),
    "octal offsets": lambda data: joined(rows(data, base="07o", colon="")),
    "dashes in a row": lambda data: joined(dashed(data)),
    "rows out of order": lambda data: joined(rows(data)[::-1]),
    "little-endian dwords": lambda data: words(data, 4, little=True).encode(),
    "dwords in order": lambda data: words(data, 4, little=False).encode(),
    "little-endian words of two bytes": lambda data: words(data, 2, little=True).encode(),
    "a byte order mark": lambda data: codecs.BOM_UTF8 + joined(rows(data)),
    "UTF-16 with its mark": lambda data: "\n".join(rows(data)).encode("utf-16"),
    "UTF-16 without": lambda data: "\n".join(rows(data)).encode("utf-16-le"),
    "DOS lines": lambda data: "\r\n".join(rows(data)).encode(),
    "no offsets": lambda data: data.hex(" ").encode(),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("size", [64, 256, 4096])
def test_every_way_says_the_same(way: str, size: int) -> None:
    (dump,) = configs_from_dump(WAYS[way](CONFIG[:size]), "x")
    assert dump.space.words == ConfigSpace.from_bytes(CONFIG[:size]).words


def test_bytes_that_a_dump_does_not_hold_are_absent() -> None:
    lines = rows(CONFIG)
    del lines[4:8]
    (dump,) = configs_from_dump(joined(lines), "x")
    assert dump.space.word(0x3C) is not None
    assert dump.space.word(0x40) is None
    assert dump.space.word(0x7C) is None
    assert dump.space.word(0x80) is not None


def test_a_star_repeats_the_row_before() -> None:
    lines = rows(CONFIG[:64] + bytes(192))
    (dump,) = configs_from_dump(joined([*lines[:5], "*", "100"]), "x")
    assert dump.space.words == ConfigSpace.from_bytes(CONFIG[:64] + bytes(192)).words


@pytest.mark.parametrize("headed", [True, False])
def test_several_functions(headed: bool) -> None:
    lines = []
    for name, data in ((ADDRESS, CONFIG), ("0000:00:01.0", PORT)):
        lines += [*([f"{name} made-up function"] if headed else []), *rows(data[:256]), *([""] if headed else [])]
    found = configs_from_dump(joined(lines), "x")
    assert [dump.space.words for dump in found] == [ConfigSpace.from_bytes(d[:256]).words for d in (CONFIG, PORT)]
    if headed:
        assert [dump.heading for dump in found] == [f"{ADDRESS} made-up function", "0000:00:01.0 made-up function"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"00 11 22", "fewer than the 64"),
        (words(bytes(range(256)), 4, little=True).encode(), "order its header does not show"),
        (joined([*rows(CONFIG[:64]), *[line.replace("00", "11") for line in rows(CONFIG[:64])[1:2]]]), "twice"),
        (joined([f"{at:05x}: {'00 ' * 16}" for at in range(0, 0x2000, 16)]), "goes on past"),
        (bytes(5000), "more than the 4096"),
    ],
)
def test_refused_in_a_sentence(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        configs_from_dump(data, "x")


@pytest.mark.parametrize("size", [2, 4, 8])
@pytest.mark.parametrize("way", ["raw bytes", "hexadecimal offsets", "no offsets", "decimal offsets"])
def test_bytes_turned_round_in_words_are_refused(way: str, size: int) -> None:
    with pytest.raises(InputError, match=f"turned round in words of {size} bytes; dump single bytes"):
        configs_from_dump(WAYS[way](turned(CONFIG[:256], size)), "x")


@pytest.mark.parametrize("way", ["raw bytes", "hexadecimal offsets"])
def test_a_function_that_did_not_answer_is_no_turned_one(way: str) -> None:
    (dump,) = configs_from_dump(WAYS[way](b"\xff" * 256), "x")
    assert dump.space.word(0) == 0xFFFF_FFFF
