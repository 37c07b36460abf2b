"""A saved format only grows: what a released version wrote is read by this one, and its schema is a part of today's."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from pkgutil import resolve_name
from typing import Any

import jsonschema
import msgspec
import pytest

from probe import __version__
from probe.schemas import TYPES, Schema
from tests.conftest import Run

HERE = Path(__file__).parent
RELEASES = sorted(path for path in HERE.iterdir() if (path / "schemas").is_dir())
SCHEMAS = [
    pytest.param(path, id=f"{path.parents[1].name}-{path.stem}")
    for folder in RELEASES
    for path in sorted((folder / "schemas").iterdir())
]


def schema_of(path: Path) -> Schema:
    """The schema that a released one is a version of."""
    found = [schema for schema in Schema if schema.split("/")[1] == path.stem]
    assert found, f"{path.stem} was released and is no document any more"
    return max(found, key=lambda schema: int(schema.split("/")[2]))


def today(path: Path) -> dict[str, Any]:
    kept: dict[str, Any] = json.loads(msgspec.json.encode(msgspec.json.schema(resolve_name(TYPES[schema_of(path)]))))
    return kept


def documents(path: Path) -> Iterator[bytes]:
    """Every document of a kind that a release kept: one with all fields filled, and what commands wrote."""
    folder, kind = path.parents[1], path.stem
    for kept in (folder / f"{kind}.filled.jsonl", folder / f"{kind}.jsonl"):
        if kept.exists():
            yield from kept.read_bytes().splitlines()
    if (folder / f"{kind}.json").exists():
        yield (folder / f"{kind}.json").read_bytes()


def test_this_version_is_kept() -> None:
    """Run `python -m tests.released.keep` when a version is released, and whenever a document changes before that."""
    kept = {path.stem for path in (HERE / __version__ / "schemas").iterdir()}
    assert kept == {schema.split("/")[1] for schema in Schema}


@pytest.mark.parametrize("path", SCHEMAS)
def test_documents_are_what_their_own_schema_and_todays_say(path: Path) -> None:
    """jsonschema is the witness."""
    found = list(documents(path))
    assert found
    for schema in (json.loads(path.read_text()), today(path)):
        checker = jsonschema.Draft202012Validator(schema)
        for document in found:
            checker.validate(json.loads(document))


@pytest.mark.parametrize("path", SCHEMAS)
def test_documents_are_read_by_todays_types(path: Path) -> None:
    kind = resolve_name(TYPES[schema_of(path)])
    for document in documents(path):
        msgspec.json.decode(document, type=kind)


@pytest.mark.parametrize("path", SCHEMAS)
def test_a_schema_only_grows(path: Path) -> None:
    released, now = json.loads(path.read_text()).get("$defs", {}), today(path).get("$defs", {})
    for name, kept in released.items():
        assert name in now, f"{name} is gone"
        lost = set(kept.get("properties", {})) - set(now[name].get("properties", {}))
        assert not lost, f"{name} lost {lost}"
        added = set(now[name].get("required", ())) - set(kept.get("required", ()))
        assert not added, f"{name} needs {added}, which older documents lack"
        for field, was in kept.get("properties", {}).items():
            assert types(was) <= types(now[name]["properties"][field]), f"{name}.{field} changed its type"


def types(schema: dict[str, Any]) -> set[str]:
    """The kinds of value that a field takes."""
    if "anyOf" in schema:
        return set().union(*(types(item) for item in schema["anyOf"]))
    if "$ref" in schema:
        return {schema["$ref"]}
    if "items" in schema and isinstance(schema["items"], dict):
        return {f"array of {item}" for item in types(schema["items"])}
    return {schema["type"]} if "type" in schema else {json.dumps(value) for value in schema.get("enum", ["anything"])}


@pytest.mark.parametrize("release", RELEASES, ids=lambda path: path.name)
def test_commands_take_what_a_release_wrote(release: Path, run: Run, tmp_path: Path) -> None:
    snapshot = release / "snapshot.json"
    assert run("audit", snapshot)[0] == 0
    assert run("explain", "0000:01:00.0", snapshot)[0] == 0
    assert run("diff", snapshot, snapshot)[0] == 0
    assert run("history", snapshot)[0] == 0
    assert run("expect", "check", release / "expect.toml", snapshot)[0] == 0
    assert run("soak", "close", release / "soak.jsonl")[0] in {0, 1, 3}
    for name in ("snapshot.json", "audit.json", "diff.json", "soak.jsonl"):
        assert run("report", release / name, "-o", tmp_path / f"{name}.html")[0] == 0
    shutil.copytree(release / "store", tmp_path / "store")
    assert run("fleet", "below", "--store", tmp_path / "store")[0] == 1
    assert run("fleet", "ingest", snapshot, "--store", tmp_path / "store")[0] == 0
