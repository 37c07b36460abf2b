"""A plan read from TOML, every value checked, every fault told with its line and what to do. Pure."""

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import msgspec

from probe.errors.limits import Limit
from probe.exceptions import InputError
from probe.qualify.plan import AnyStep, ComparisonStep, Plan, SnapshotStep, SoakStep, Step, kind_of
from probe.qualify.plan_lines import Place, lines_of
from probe.schemas import Schema

KINDS: dict[str, type[AnyStep]] = {str(kind.__struct_config__.tag): kind for kind in AnyStep.__args__}
"""The word of each kind of step."""
PLAN_BYTES = 256 << 10
_WRITE_ONE = "or write one from this machine: linkprobe qualify --write-plan -o FILE"


class Fault(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong with a plan: in which line, at what, and what to do."""

    line: int | None
    what: str
    remedy: str


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """What came of reading a plan: the plan where it has no fault of form, and the faults."""

    plan: Plan | None
    faults: tuple[Fault, ...] = ()


class _Found(msgspec.Struct, frozen=True):
    """A fault at a place, whose line is not known yet."""

    place: Place
    what: str
    remedy: str


def read_plan(content: bytes) -> Reading:
    """The plan in these bytes, or what is wrong with them."""
    if len(content) > PLAN_BYTES:
        return _refused(f"holds more than {PLAN_BYTES // 1024} KiB, the most of a plan", "make it shorter")
    try:
        text = content.decode("utf-8-sig")
        tables = tomllib.loads(text)
    except UnicodeDecodeError as error:
        return _refused(f"is not UTF-8 text (byte {error.start})", "save it as UTF-8")
    except tomllib.TOMLDecodeError as error:
        return _refused(f"is not TOML ({error})", f"correct it, {_WRITE_ONE}")
    except (RecursionError, ValueError):  # nested deeply, or a number of thousands of digits
        return _refused("is nested too deeply, or has a number that is too long", f"correct it, {_WRITE_ONE}")
    plan, found = _converted(tables)
    if plan is not None and not found:
        found = list(_of_meaning(plan))
    lines = lines_of(text, [place for item in found for place in (item.place, item.place[:2])])
    faults = tuple(
        Fault(line=lines.get(item.place, lines.get(item.place[:2])), what=item.what, remedy=item.remedy)
        for item in found
    )
    return Reading(plan=None if faults else plan, faults=faults)


def step_lines(content: bytes, plan: Plan) -> tuple[int | None, ...]:
    """The line in which each step begins."""
    places: list[Place] = [("step", number) for number in range(len(plan.step))]
    found = lines_of(content.decode("utf-8-sig"), places)
    return tuple(found.get(place) for place in places)


def _refused(what: str, remedy: str) -> Reading:
    return Reading(plan=None, faults=(Fault(line=None, what=what, remedy=remedy),))


def _converted(tables: dict[str, Any]) -> tuple[Plan | None, list[_Found]]:
    schema = tables.get("schema")
    if schema != Schema.QUALIFY_PLAN:
        said = "states no schema" if schema is None else f"is a {schema} document"
        remedy = f'begin it with schema = "{Schema.QUALIFY_PLAN}", {_WRITE_ONE}'
        return None, [_Found(("schema",), said, remedy)]
    listed = tables.get("step", [])
    if not isinstance(listed, list) or not listed or not all(isinstance(item, dict) for item in listed):
        return None, [_Found(("step",), "has no step, so nothing would be done", f"add a [[step]], {_WRITE_ONE}")]
    found: list[_Found] = []
    steps = [_step(number, table, found) for number, table in enumerate(listed)]
    head = _struct(Plan, {name: value for name, value in tables.items() if name != "step"}, (), found)
    if found or head is None:
        return None, found
    return msgspec.structs.replace(head, step=_named([step for step in steps if step is not None])), found


def _step(number: int, table: dict[str, Any], found: list[_Found]) -> AnyStep | None:
    place: Place = ("step", number)
    kind = KINDS.get(str(table.get("kind")))
    if kind is None:
        said = f'kind = "{table["kind"]}" is no kind of step' if "kind" in table else "a step does not say its kind"
        where: Place = (*place, "kind") if "kind" in table else place
        found.append(_Found(where, said, f"choose among {', '.join(KINDS)}"))
        return None
    made: AnyStep | None = _struct(kind, {name: value for name, value in table.items() if name != "kind"}, place, found)
    return made


def _struct(kind: Any, table: Mapping[str, Any], place: Place, found: list[_Found]) -> Any:  # noqa: ANN401 - by its kind
    """A struct made of a table, field by field, so that each fault has its own line."""
    fields = {field.encode_name: field for field in msgspec.structs.fields(kind)}
    what = "a plan" if kind is Plan else f"a step of kind {kind.__struct_config__.tag}"
    values: dict[str, Any] = {}
    before = len(found)
    for name, value in table.items():
        if name not in fields:
            near = get_close_matches(name, fields)
            remedy = f"write {near[0]}" if near else f"{what} has {', '.join(fields)}"
            found.append(_Found((*place, name), f"{name} is nothing that {what} has", remedy))
            continue
        try:
            values[name] = msgspec.convert(value, fields[name].type)
        except msgspec.ValidationError as error:
            told = f"{error}".partition(" - at ")[0].replace("`", "")
            found.append(_Found((*place, name), f"{name}: {told[0].lower()}{told[1:]}", "correct the value"))
    lacking = [name for name, field in fields.items() if field.required and name not in table]
    found += [_Found(place, f"{what} needs {name}", f"add {name} = ...") for name in lacking]
    return None if len(found) > before else kind(**values)


def _named(steps: Sequence[AnyStep]) -> tuple[AnyStep, ...]:
    """The steps, each with a name: its own, or its kind with a number where there are several."""
    kinds = Counter(kind_of(step) for step in steps if not step.name)
    seen: Counter[str] = Counter()
    named: list[AnyStep] = []
    for step in steps:
        kind = kind_of(step)
        seen[kind] += not step.name
        name = step.name or (kind if kinds[kind] == 1 else f"{kind} {seen[kind]}")
        named.append(msgspec.structs.replace(step, name=name))
    return tuple(named)


def _of_meaning(plan: Plan) -> Iterator[_Found]:
    """What is wrong with values that have the right form."""
    taken: set[str] = set()
    snapshots: set[str] = set()
    for number, step in enumerate(plan.step):
        place: Place = ("step", number)
        if step.name in taken:
            yield _Found((*place, "name"), f'another step has the name "{step.name}"', "give it a name of its own")
        taken.add(step.name)
        if isinstance(step, ComparisonStep):
            yield from _of_comparison(step, snapshots, place)
        if isinstance(step, SnapshotStep):
            snapshots.add(step.name)
        yield from _of_limits(step, place)


def _of_comparison(step: ComparisonStep, snapshots: set[str], place: Place) -> Iterator[_Found]:
    for key in ("before", "after"):
        name = getattr(step, key)
        if name not in snapshots:
            known = f"there are {', '.join(sorted(snapshots))}" if snapshots else "none is taken before it"
            yield _Found((*place, key), f'{key} = "{name}" names no snapshot that is taken before this step', known)
    if step.before == step.after:
        yield _Found((*place, "after"), "before and after are the same snapshot", "name two snapshots")


def _of_limits(step: Step, place: Place) -> Iterator[_Found]:
    keys = {SoakStep: ("correctable",), ComparisonStep: ("correctable", "data")}.get(type(step), ())
    for key in keys:
        text = getattr(step, key)
        try:
            if text is not None:
                Limit.parse(text)
        except InputError as error:
            yield _Found((*place, key), f"{key} = {error.where} {error.what}", error.remedy)
