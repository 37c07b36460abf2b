"""Every table of registers as one golden document: where each stands, each field's bits, what each value reads as.

Refresh with `packaging/check tests/golden --refresh-golden`, then read the difference beside the specification. What
the kernel's header or a vendor's handbook says of the same bits is held in `tests/published`; where both are silent (the
newer capabilities) the tables are from memory of Base Specification 6.x, and this holds them to what was reviewed.
"""

import inspect
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest

from probe.registers import margin_payloads
from probe.registers.catalogue import _OTHER_NAMES, STRUCTURES
from probe.registers.header import LAYOUTS
from probe.registers.table_language import FLAG, HEX, NUMBER, Field, Register

DOCUMENT = Path(__file__).parent / "documents" / "registers.txt"
PLAIN = {id(FLAG): "flag", id(NUMBER): "number", id(HEX): "hexadecimal"}


def values(field: Field[Any]) -> Iterator[str]:
    """What each encoding reads as, alike neighbours on one line; a wide field at its borders."""
    width = field.high - field.low + 1
    encodings = range(1 << width) if width <= 8 else (0, *(1 << bit for bit in range(width)), (1 << width) - 1)
    texts = [(raw, f"{field.text(raw << field.low)}, {field.decode(raw << field.low)!r}") for raw in encodings]
    for text, alike in groupby(texts, key=lambda item: item[1]):
        numbers = [raw for raw, _ in alike]
        span = f"{numbers[0]:x}h" if len(numbers) == 1 else f"{numbers[0]:x}h-{numbers[-1]:x}h"
        yield f"      {span}: {text}"


def lines(register: type[Register]) -> Iterator[str]:
    routine = "routine" if register.routine else "not routine"
    yield f"  {register.name}, {register.offset:02x}h, {register.size} bytes, {register.section}, {routine}"
    if register.count > 1:
        yield f"    {register.count} of them, {register.stride} bytes apart"
    yield f"    no answer reads as {register.no_answer}"
    for field in register.fields:
        plain = PLAIN.get(id(field.meaning), "by the values below")
        yield f"    {field.high}:{field.low} {field.name}, {field.access}, {plain}"
        if id(field.meaning) not in PLAIN:
            yield from values(field)


def document() -> Iterator[str]:
    for layout, registers in LAYOUTS.items():
        yield f"header {layout}"
        for register in registers:
            yield from lines(register)
    for structure in STRUCTURES:
        yield f"{structure.name}, {structure.id:04x}h, {'extended' if structure.extended else 'classic'}"
        for register in structure.registers:
            yield from lines(register)
    yield "margin payloads"
    for _, found in inspect.getmembers(margin_payloads, inspect.isclass):
        if issubclass(found, Register) and found is not Register:
            yield from lines(found)
    yield "capabilities without a table"
    for (extended, number), name in _OTHER_NAMES.items():
        yield f"  {number:04x}h, {'extended' if extended else 'classic'}: {name}"


def test_every_table(request: pytest.FixtureRequest) -> None:
    text = "\n".join(document()) + "\n"
    if request.config.getoption("--refresh-golden"):
        DOCUMENT.write_text(text)
    assert DOCUMENT.read_text() == text
