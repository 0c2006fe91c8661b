"""What an address is to others and what it takes: the words of the tables of addresses."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum, auto
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from fleet.roles import Capability
from tests.isolation_world import World

C = Capability

# --- Routes -------------------------------------------------------------------------------------


class Seen(Enum):
    """What an address is to somebody of another site."""

    HIDDEN = auto()  # the row in its path: 404
    LIST = auto()  # 200 with their own sites' rows only
    BODY = auto()  # the ids in its body: refused like ids that do not exist
    SHARED = auto()  # of all sites by design: models, limit sheets, the catalogue
    OWN = auto()  # one's own account
    OPEN = auto()  # says the same to everybody


Body = Callable[[World], Mapping[str, Any]]


@dataclass(frozen=True)
class Route:
    """One method of one address. path: names of World for its parameters.

    needs: capabilities that it takes, all of them; none: any role at the site will do.
    foreign: fields of the body with an id of a site's row, and its name in World.
    """

    name: str
    method: str
    path: tuple[str, ...]
    seen: Seen
    needs: frozenset[Capability]
    body: Body | None
    foreign: Mapping[str, str]
    files: bool

    def __str__(self) -> str:
        return f"{self.method.upper()} {self.name}"

    def url(self, world: World) -> str:
        return reverse(self.name, args=[world.id_of(name) for name in self.path])

    def sent(self, world: World) -> dict[str, Any]:
        return dict(self.body(world)) if self.body is not None else {}


def route(
    method: str,
    name: str,
    *path: str,
    seen: Seen = Seen.HIDDEN,
    needs: Iterable[Capability] = (),
    body: Body | None = None,
    foreign: Mapping[str, str] | None = None,
    files: bool = False,
) -> Route:
    return Route(name, method, path, seen, frozenset(needs), body, foreign or {}, files)


def in_a_month() -> str:
    return (timezone.now().date() + timedelta(days=30)).isoformat()


def routes_below(prefix: str) -> Iterator[tuple[str, str, Any]]:
    """(name, path, callback) of each address in the resolver whose path begins so."""
    for path, name, callback in _walk(get_resolver().url_patterns):
        if path.startswith(prefix):
            yield name, path, callback


def _walk(patterns: Any, before: str = "", space: str = "") -> Iterator[tuple[str, str, Any]]:
    for pattern in patterns:
        path = before + str(pattern.pattern).removeprefix("^")
        if isinstance(pattern, URLResolver):
            inside = f"{space}{pattern.namespace}:" if pattern.namespace else space
            yield from _walk(pattern.url_patterns, path, inside)
        elif isinstance(pattern, URLPattern):
            yield path, f"{space}{pattern.name}", pattern.callback


def class_of(callback: Any) -> Any:
    """The class of the view; None for a plain function."""
    return getattr(callback, "cls", None) or getattr(callback, "view_class", None)


def methods_of(callback: Any) -> frozenset[str]:
    """What the address answers, but HEAD and OPTIONS; "any" for a plain function."""
    view = class_of(callback)
    if view is None:
        return frozenset({"any"})
    actions = getattr(callback, "actions", None)
    names = actions or {m for m in view.http_method_names if hasattr(view, m)}
    return frozenset(names) - {"head", "options"}


HIDDEN, LIST, BODY, SHARED, OWN = Seen.HIDDEN, Seen.LIST, Seen.BODY, Seen.SHARED, Seen.OWN
WHY = {"why": "Because it must be"}
KEEP = [C.KEEP_CATALOGUE]
INSTRUMENT, SITE, STORE = {"instrument": "instrument"}, {"site": "site"}, {"store": "store"}
