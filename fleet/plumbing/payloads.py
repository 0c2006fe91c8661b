"""Frozen dataclasses to JSON and back, by their type hints.

Known types: int, str, bool, Decimal (as a string: no digit is lost), datetime and date (ISO 8601),
StrEnum, dataclass, tuple[X, ...] and X | None. Floats are refused: a length is a Decimal.
"""

from __future__ import annotations

import dataclasses
import types
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

D = TypeVar("D")


def encode(value: Any) -> dict[str, Any]:
    """The fields of a dataclass as JSON values. Raises TypeError for a type not listed above."""
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"{value!r} is not a dataclass.")
    return {f.name: _encode(getattr(value, f.name)) for f in dataclasses.fields(value)}


def _encode(value: Any) -> Any:
    if isinstance(value, StrEnum):
        return value.value
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise TypeError(f"{value} is not a number that can be put on record.")
        return str(value)
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise TypeError("A time on record needs its time zone.")
        return value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return [_encode(item) for item in value]
    return encode(value)


def decode(cls: type[D], payload: dict[str, Any]) -> D:
    """The dataclass that `encode` wrote.

    Fields that the class does not know are ignored, so that an event may gain one within a
    schema. Raises KeyError for a missing field without default, TypeError or ValueError for a
    value that does not fit.
    """
    hints = get_type_hints(cls)
    values: dict[str, Any] = {}
    for field in dataclasses.fields(cls):  # type: ignore[arg-type]  # checked by the caller's type
        if field.name in payload:
            values[field.name] = _decode(hints[field.name], payload[field.name])
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise KeyError(f"{cls.__name__}.{field.name} is missing from the payload.")
    return cls(**values)


def _decode(hint: Any, value: Any) -> Any:
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        if value is None:
            return None
        (inner,) = (arg for arg in args if arg is not type(None))
        return _decode(inner, value)
    if origin is tuple:
        return tuple(_decode(args[0], item) for item in value)
    if hint is datetime or hint is date:
        return hint.fromisoformat(value)
    if hint is Decimal:
        return Decimal(value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return decode(hint, value)
    if hint not in (int, str, bool) or type(value) is not hint:
        raise TypeError(f"{value!r} cannot be read as {hint!r}.")
    return value
