"""The API's documentation as a plain page made from its OpenAPI document: offline, without script."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True, slots=True)
class Field:
    """One parameter or field."""

    name: str
    place: str
    kind: str
    is_needed: bool
    words: str


@dataclass(frozen=True, slots=True)
class Operation:
    """One endpoint."""

    method: str
    path: str
    words: str
    roles: tuple[str, ...]
    fields: tuple[Field, ...]
    answer: str


def operations(document: dict[str, Any]) -> dict[str, list[Operation]]:
    """Return every endpoint by feature."""
    found: dict[str, list[Operation]] = {}
    for path, methods in document["paths"].items():
        for method in METHODS:
            if method in methods:
                told = methods[method]
                tag = told.get("tags", ["other"])[0]
                found.setdefault(tag, []).append(_operation(document, path, method, told))
    return found


def _operation(document: dict[str, Any], path: str, method: str, told: dict[str, Any]) -> Operation:
    fields = [
        Field(
            parameter["name"],
            parameter["in"],
            _kind(document, parameter.get("schema", {})),
            parameter.get("required", False),
            parameter.get("description", ""),
        )
        for parameter in told.get("parameters", ())
    ]
    for body in told.get("requestBody", {}).get("content", {}).values():
        fields += _body(document, body.get("schema", {}))
        break
    answers = [
        f"{status} {_answer(document, answer)}".strip()
        for status, answer in told.get("responses", {}).items()
        if status.startswith("2")
    ]
    words = told.get("description") or told.get("summary", "")
    roles = tuple(told.get("x-roles", ()))
    return Operation(method.upper(), path, words, roles, tuple(fields), ", ".join(answers))


def _answer(document: dict[str, Any], answer: dict[str, Any]) -> str:
    for media, content in answer.get("content", {}).items():
        kind = _kind(document, content.get("schema", {}))
        return kind if media == "application/json" else media
    return ""


def _body(document: dict[str, Any], schema: dict[str, Any]) -> Iterator[Field]:
    resolved = _resolved(document, schema)
    needed = resolved.get("required", ())
    for name, content in resolved.get("properties", {}).items():
        words = content.get("description", "") or _resolved(document, content).get("description", "")
        yield Field(name, "body", _kind(document, content), name in needed, words)


def _resolved(document: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    if "$ref" not in schema:
        return schema
    found: dict[str, Any] = document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    return found


def _kind(document: dict[str, Any], schema: dict[str, Any]) -> str:
    """Say in few words what a value looks like."""
    if "$ref" in schema:
        target = _resolved(document, schema)
        return " or ".join(target["enum"]) if "enum" in target else schema["$ref"].rsplit("/", 1)[-1]
    for several in ("anyOf", "oneOf"):
        if several in schema:
            return " or ".join(dict.fromkeys(_kind(document, option) for option in schema[several]))
    if "enum" in schema:
        return " or ".join(str(word) for word in schema["enum"])
    if "const" in schema:
        return str(schema["const"])
    if schema.get("type") == "array":
        return f"list of {_kind(document, schema.get('items', {}))}"
    kind = str(schema.get("format") or schema.get("type", "any"))
    bounds = [f"≥ {schema[key]:g}" for key in ("minimum",) if key in schema]
    bounds += [f"≤ {schema[key]:g}" for key in ("maximum",) if key in schema]
    return " ".join([kind, *bounds])
