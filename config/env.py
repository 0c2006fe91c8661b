"""Typed readers of the environment. A wrong value stops start-up and names its variable."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from django.core.exceptions import ImproperlyConfigured


def env_str(name: str, *, default: str | None = None) -> str:
    """The variable's text without surrounding blanks; without a default it must be there."""
    value = os.environ.get(name, "").strip() or default
    if value is None:
        raise ImproperlyConfigured(f"{name} is not set.")
    return value


def env_choice(name: str, *, choices: tuple[str, ...], default: str) -> str:
    value = env_str(name, default=default)
    if value not in choices:
        raise ImproperlyConfigured(f"{name} must be one of {', '.join(choices)}, not '{value}'.")
    return value


def env_bool(name: str, *, default: bool) -> bool:
    """Only the spellings 'true' and 'false': a typing slip must not switch a protection off."""
    value = env_str(name, default="true" if default else "false")
    if value not in ("true", "false"):
        raise ImproperlyConfigured(f"{name} must be 'true' or 'false', not '{value}'.")
    return value == "true"


def env_int(name: str, *, default: int) -> int:
    value = env_str(name, default=str(default))
    try:
        return int(value)
    except ValueError:
        raise ImproperlyConfigured(f"{name} must be a whole number, not '{value}'.") from None


def env_list(name: str, *, default: str = "") -> list[str]:
    """Parts between commas, blanks removed, empty parts dropped."""
    return [part.strip() for part in env_str(name, default=default).split(",") if part.strip()]


def env_secret(name: str, *, default: str | None = None) -> str:
    """Like `env_str`, or the content of the file that NAME_FILE points to (container secrets)."""
    path = os.environ.get(f"{name}_FILE", "").strip()
    if not path:
        return env_str(name, default=default)
    if os.environ.get(name, "").strip():
        raise ImproperlyConfigured(f"Both {name} and {name}_FILE are set: keep one of them.")
    try:
        value = Path(path).read_text(encoding="utf-8").strip()
    except OSError as exc:
        raise ImproperlyConfigured(
            f"{name}_FILE: '{path}' cannot be read ({exc.strerror})."
        ) from exc
    if not value:
        raise ImproperlyConfigured(f"{name}_FILE: '{path}' is empty.")
    return value


def database_from_url(url: str, *, name: str = "DATABASE_URL") -> dict[str, Any]:
    """Django's connection settings from a postgresql:// URL; `?host=/folder` is a unix socket."""
    parts = urlsplit(url)
    if parts.scheme not in ("postgresql", "postgres"):
        raise ImproperlyConfigured(f"{name} must begin with postgresql://.")
    options: Mapping[str, str] = dict(parse_qsl(parts.query))
    try:
        port = str(parts.port or options.get("port", ""))
    except ValueError:
        raise ImproperlyConfigured(f"{name} has a port that is not a number.") from None
    database = unquote(parts.path.lstrip("/"))
    if not database:
        raise ImproperlyConfigured(f"{name} names no database: end it with /NAME.")
    return {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": database,
        "USER": unquote(parts.username or ""),
        "PASSWORD": unquote(parts.password or ""),
        "HOST": unquote(parts.hostname or options.get("host", "")),
        "PORT": port,
        "OPTIONS": {key: value for key, value in options.items() if key not in ("host", "port")},
    }


def broker_from_url(url: str, *, name: str = "REDIS_URL") -> str:
    """Celery's spelling of a Redis address: unix:///path becomes redis+socket:///path."""
    if not url.startswith(("redis://", "rediss://", "unix://")):
        raise ImproperlyConfigured(f"{name} must begin with redis://, rediss:// or unix://.")
    if url.startswith("unix://"):
        return "redis+socket://" + url.removeprefix("unix://").replace("?db=", "?virtual_host=")
    return url
