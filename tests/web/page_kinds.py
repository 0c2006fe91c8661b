"""Pages with a form of their own, and pages to which several things can be sent."""

from __future__ import annotations

from typing import Any

from tests.isolation_kinds import (
    BODY,
    HIDDEN,
    SHARED,
    Body,
    Route,
    Seen,
    route,
)

OPEN = Seen.OPEN


def form(name: str, *path: str, needs: Any = (), body: Body | None = None, **more: Any) -> Any:
    """A page with a form of its own: to open it takes what it takes to send it."""
    reads = more.get("seen", HIDDEN)
    return (
        route("get", name, *path, needs=needs, seen=SHARED if reads is BODY else reads),
        route("post", name, *path, needs=needs, body=body, **more),
    )


def do(name: str, needs: Any, *path: str, what: str, **more: Any) -> Route:
    """One of the things that can be sent to a page which everybody of the site may open."""
    body, foreign = more.pop("body", None), more.pop("foreign", None)
    return route(
        "post",
        name,
        *path,
        needs=needs,
        body=lambda w: {"do": what, **(body(w) if body else {})},
        foreign=foreign,
        **more,
    )
