"""The API's description as people read it: our own OpenAPI document, put into plain words.

The document is made from the code, so the page cannot say anything else than the API does.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import urlencode

from drf_spectacular.generators import SchemaGenerator

_METHODS = ("get", "post", "put", "patch", "delete")
_MOST_DEEP = 6
_BY_FORMAT = {
    "date-time": "2026-03-14T09:15:00Z",
    "date": "2026-03-14",
    "uri": "https://example.org/",
    "uuid": "0b5b6f4e-2d53-4c41-8d5e-6f0e5a1c7a10",
    "decimal": "0.15",
}

# Quoted for a shell.
_HEADERS_BY_HAND = {
    "Idempotency-Key": '"Idempotency-Key: $(uuidgen)"',
    "If-Match": "'If-Match: \"3\"'",
}


@dataclass(frozen=True)
class Parameter:
    name: str
    place: str
    kind: str
    required: bool
    says: str


@dataclass(frozen=True)
class Answer:
    status: str
    says: str


@dataclass(frozen=True)
class Operation:
    """One method of one address."""

    anchor: str
    method: str
    path: str
    summary: str
    parameters: tuple[Parameter, ...]
    request_example: str
    answers: tuple[Answer, ...]
    answer_example: str
    curl: str


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """The OpenAPI document; made once, since the code does not change while it runs."""
    generator: Any = SchemaGenerator()  # type: ignore[no-untyped-call]
    made: dict[str, Any] = generator.get_schema(request=None, public=True)
    return made


@lru_cache(maxsize=1)
def groups() -> tuple[tuple[str, tuple[Operation, ...]], ...]:
    """(heading, operations), by the first word of the path behind the version."""
    found: dict[str, list[Operation]] = defaultdict(list)
    doc = document()
    for path, item in doc["paths"].items():
        words = [word for word in path.split("/") if word]
        heading = words[2] if len(words) > 2 else "api"
        for method in _METHODS:
            if method in item:
                found[heading].append(_operation(doc, path, method, item[method]))
    return tuple(
        (heading.replace("-", " ").capitalize(), tuple(operations))
        for heading, operations in sorted(found.items())
    )


def _operation(doc: Mapping[str, Any], path: str, method: str, op: Mapping[str, Any]) -> Operation:
    parameters = tuple(_parameter(doc, p) for p in op.get("parameters", ()))
    body, body_type = _body(doc, op)
    answers = op.get("responses", {})
    good: Mapping[str, Any] = next(
        (a for status, a in sorted(answers.items()) if status.startswith("2")), {}
    )
    content = next(iter(_at(doc, good).get("content", {}).values()), None)
    example = _json(_example(doc, content["schema"], 0)) if content else ""
    return Operation(
        anchor=op["operationId"],
        method=method.upper(),
        path=path,
        summary=(op.get("description") or "").strip(),
        parameters=parameters,
        request_example=_json(body) if body is not None else "",
        answers=tuple(Answer(s, _at(doc, a).get("description") or "") for s, a in answers.items()),
        answer_example=example,
        curl=_curl(method, path, parameters, body, body_type),
    )


def _at(doc: Mapping[str, Any], node: Mapping[str, Any]) -> Mapping[str, Any]:
    """The node itself, or what it refers to inside the document."""
    while "$ref" in node:
        target: Any = doc
        for step in node["$ref"].removeprefix("#/").split("/"):
            target = target[step]
        node = target
    return node


def _parameter(doc: Mapping[str, Any], parameter: Mapping[str, Any]) -> Parameter:
    parameter = _at(doc, parameter)
    schema = _at(doc, parameter.get("schema", {}))
    kind = schema.get("type", "text")
    if allowed := schema.get("enum"):
        kind = "one of " + ", ".join(str(value) for value in allowed if value not in ("", None))
    return Parameter(
        name=parameter["name"],
        place=parameter["in"],
        kind=kind if isinstance(kind, str) else " or ".join(kind),
        required=parameter.get("required", False),
        says=parameter.get("description", ""),
    )


def _body(doc: Mapping[str, Any], op: Mapping[str, Any]) -> tuple[Any, str]:
    content = _at(doc, op.get("requestBody", {})).get("content", {})
    for content_type in ("application/json", "multipart/form-data"):
        if content_type in content:
            return _example(doc, content[content_type]["schema"], 0), content_type
    return None, ""


def _example(doc: Mapping[str, Any], schema: Mapping[str, Any], depth: int) -> Any:
    """A value that fits a schema."""
    schema = _at(doc, schema)
    if "example" in schema:
        return schema["example"]
    for whole in ("allOf", "oneOf", "anyOf"):
        if whole in schema:
            return _example(doc, schema[whole][0], depth)
    kind = schema.get("type")
    if isinstance(kind, list):
        kind = next((k for k in kind if k != "null"), "null")
    if depth > _MOST_DEEP:
        return None
    if "enum" in schema:
        return schema["enum"][0]
    if kind == "object" or "properties" in schema:
        names = schema.get("properties", {})
        return {name: _example(doc, inner, depth + 1) for name, inner in names.items()}
    if kind == "array":
        return [_example(doc, schema.get("items", {}), depth + 1)]
    if kind == "boolean":
        return schema.get("default", False)
    if kind in ("integer", "number"):
        return schema.get("default", 1 if kind == "integer" else 0.15)
    if kind == "null":
        return None
    return schema.get("default") or _BY_FORMAT.get(schema.get("format", ""), "text")


def _json(value: Any) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False)


def _curl(
    method: str, path: str, parameters: tuple[Parameter, ...], body: Any, body_type: str
) -> str:
    query = {p.name: "…" for p in parameters if p.place == "query" and p.required}
    url = f"https://wearbook.example{path}" + (f"?{urlencode(query)}" if query else "")
    parts = [f"curl -X {method.upper()} '{url}'", "-H 'Authorization: Bearer wb_…'"]
    parts += [
        f"-H {_HEADERS_BY_HAND.get(parameter.name, parameter.name)}"
        for parameter in parameters
        if parameter.place == "header" and parameter.required
    ]
    if body is not None and body_type == "application/json":
        text = _json(body).replace("'", "'\\''")
        parts += ["-H 'Content-Type: application/json'", f"-d '{text}'"]
    elif isinstance(body, dict):
        parts += [f"-F '{name}={_sent(name, value)}'" for name, value in body.items()]
    return " \\\n  ".join(parts)


def _sent(name: str, value: Any) -> str:
    return "@file" if name in ("file", "upload", "photo") else str(value)
