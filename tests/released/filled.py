"""A document of any kind with every field filled, so that none is forgotten because no machine at hand has it."""

from typing import Any

import msgspec.inspect as kinds

# What is checked beyond its type, by the name of the field.
GIVEN = {
    "address": "0000:01:00.0", "physical_function": "0000:01:00.0", "config": {"000": "34120100"},
    "attributes": {"vendor": "0x1234"}, "config_end": 64,
    "smbios_slots": ["0911010001a50d040300000500040c00000000"], "block": 4096, "size": 4096,
}  # fmt: skip


def filled(kind: kinds.Type, within: frozenset[type] = frozenset()) -> Any:
    """A value of the kind as JSON has it; of several kinds the first that is not null. What holds its own kind ends."""
    if isinstance(kind, kinds.StructType):
        within |= {kind.cls}
    match kind:
        case kinds.StructType() if kind.array_like:
            return [filled(field.type, within) for field in kind.fields]
        case kinds.StructType():
            tag = {} if kind.tag is None else {kind.tag_field or "type": kind.tag}
            return tag | {
                field.encode_name: GIVEN.get(field.name) or filled(field.type, within) for field in kind.fields
            }
        case kinds.UnionType(types=types):
            rest = [item for item in types if not isinstance(item, kinds.NoneType)]
            return filled(rest[0], within)
        case kinds.VarTupleType(item_type=item) | kinds.ListType(item_type=item):
            return [] if isinstance(item, kinds.StructType) and item.cls in within else [filled(item, within)]
        case kinds.TupleType(item_types=items):
            return [filled(item, within) for item in items]
        case kinds.DictType(key_type=key, value_type=value):
            return {str(filled(key, within)): filled(value, within)}
        case kinds.EnumType():
            return next(iter(kind.cls)).value
        case kinds.LiteralType(values=values):
            return values[0]
        case _:
            return _SIMPLE[type(kind)]


def documents(kind: kinds.Type) -> list[Any]:
    """One document, or one for each kind of line where lines are of several kinds."""
    members = kind.types if isinstance(kind, kinds.UnionType) else (kind,)
    return [filled(member) for member in members]


_SIMPLE: dict[type[kinds.Type], Any] = {
    kinds.StrType: "words", kinds.IntType: 1, kinds.FloatType: 1.5, kinds.BoolType: True, kinds.NoneType: None,
    kinds.RawType: {"type": "done", "at": "words"},
}  # fmt: skip
