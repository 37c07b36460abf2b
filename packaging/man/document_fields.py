"""The fields of documents, from the types that read and write them."""

from collections.abc import Iterable, Iterator
from pkgutil import resolve_name
from typing import Any

import msgspec.inspect as kinds
from msgspec import json
from scdoc import escaped, reflowed

from probe.fleet.rows import KINDS
from probe.schemas import TYPES, Schema


def fields(schemas: Iterable[Schema]) -> str:
    """Every field of documents and of what they hold."""
    return _fields_of(resolve_name(TYPES[schema]) for schema in schemas)


def rows() -> str:
    """Every column of the store's rows."""
    return _fields_of(KINDS.values())


def _fields_of(documents: Iterable[Any]) -> str:
    """The fields of types and of what they hold, each type once, in the order in which they are met."""
    waiting, seen, text = [kinds.type_info(document) for document in documents], set(), ""
    while waiting:
        kind = waiting.pop(0)
        if isinstance(kind, kinds.StructType) and kind.cls not in seen:
            seen.add(kind.cls)
            text += _struct(kind)
        waiting = [*_inside(kind, seen), *waiting]
    return text


def _inside(kind: kinds.Type, seen: set[Any]) -> list[kinds.Type]:
    match kind:
        case kinds.StructType() if kind.cls in seen:
            held = [item.type for item in kind.fields]
            return [inner for inner in held for inner in _named(inner) if inner.cls not in seen]
        case _:
            return list(_named(kind))


def _named(kind: kinds.Type) -> Iterator[kinds.StructType]:
    match kind:
        case kinds.StructType():
            yield kind
        case kinds.UnionType(types=inner):
            for item in inner:
                yield from _named(item)
        case kinds.VarTupleType(item_type=item) | kinds.ListType(item_type=item):
            yield from _named(item)
        case kinds.DictType(value_type=item):
            yield from _named(item)
        case kinds.TupleType(item_types=inner):
            for item in inner:
                yield from _named(item)


def _struct(kind: kinds.StructType) -> str:
    text = f"## {kind.cls.__name__}\n\n{reflowed(kind.cls.__doc__ or '')}\n\n"
    if kind.array_like:
        text += "An array, in this order:\n\n"
    if kind.tag is not None:
        text += f'*{escaped(kind.tag_field or "type")}*: "{kind.tag}"\n\n'
    rows = (f"*{escaped(item.encode_name)}*: {_spoken(item.type)}{_left_out(item)}" for item in kind.fields)
    return text + "++\n".join(rows) + "\n\n"


def _left_out(item: kinds.Field) -> str:
    """What it means where a document does not have the field."""
    if item.required:
        return ""
    plain = isinstance(item.default, str | int | float) and item.default != ""
    return f", {escaped(json.encode(item.default).decode())} where left out" if plain else ", may be left out"


def _spoken(kind: kinds.Type) -> str:
    match kind:
        case kinds.StructType():
            return f"_{kind.cls.__name__}_"
        case kinds.EnumType():
            return "one of " + ", ".join(escaped(str(item.value)) for item in kind.cls)
        case kinds.LiteralType(values=values):
            return "one of " + ", ".join(escaped(str(value)) for value in values)
        case kinds.UnionType(types=types):
            return " or ".join(_spoken(item) for item in types)
        case kinds.VarTupleType(item_type=item) | kinds.ListType(item_type=item):
            return f"array of {_spoken(item)}"
        case kinds.TupleType(item_types=items):
            return "array of " + ", ".join(_spoken(item) for item in items)
        case kinds.DictType(value_type=item):
            return f"object of {_spoken(item)}"
        case _:
            if type(kind) not in _SIMPLE:
                raise ValueError(
                    f"a field of type {kind} cannot be told yet: packaging/man/document_fields.py has no word"
                )
            return _SIMPLE[type(kind)]


_SIMPLE: dict[type[kinds.Type], str] = {
    kinds.StrType: "text", kinds.IntType: "whole number", kinds.FloatType: "number", kinds.BoolType: "true or false",
    kinds.NoneType: "null", kinds.BytesType: "bytes", kinds.RawType: "any value", kinds.AnyType: "any value",
}  # fmt: skip
