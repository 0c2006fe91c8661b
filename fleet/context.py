"""What every template gets besides its view's context."""

from __future__ import annotations

from django.http import HttpRequest
from django.urls import reverse

from fleet.access import capabilities_of
from fleet.roles import Capability as C

# Name of the address, label, and what one of it takes: nothing for everybody who is signed in.
_OFFERS: tuple[tuple[str, str, frozenset[C]], ...] = (
    ("parts:board", "Board", frozenset()),
    ("fleet:pumps", "Pumps", frozenset()),
    ("inspections:list", "Inspections", frozenset()),
    ("inspections:queue", "Countersign", frozenset({C.COUNTERSIGN})),
    ("fleet:models", "Limit sheets", frozenset()),
    ("inspections:instruments", "Instruments", frozenset({C.INSPECT, C.KEEP_INSTRUMENTS})),
    ("parts:pull-lists", "Stores", frozenset()),
    ("fleet:people", "People", frozenset({C.KEEP_PEOPLE})),
    ("fleet:imports", "Files", frozenset({C.KEEP_REGISTER, C.DRAFT_LIMITS, C.EXPORT})),
)
# Pages below an entry whose address begins, or ends, otherwise.
_ALSO_UNDER = {"fleet:models": ("/sheets/",)}
_ENDS_UNDER = {"inspections:queue": "/countersign/"}


def navigation(request: HttpRequest) -> dict[str, object]:
    """`nav`: (address, label, whether the page is below it) for what the person's roles allow."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"nav": []}
    may = capabilities_of(user)
    offers = [
        (name, reverse(name), label) for name, label, takes in _OFFERS if not takes or takes & may
    ]
    current = _current(request.path, [(name, address) for name, address, _ in offers])
    return {"nav": [(address, label, address == current) for _, address, label in offers]}


def _current(path: str, entries: list[tuple[str, str]]) -> str:
    """The address of the entry that the page is below: by its end, else the longest that fits."""
    for name, address in entries:
        if path.endswith(_ENDS_UNDER.get(name, "\0")):
            return address
    fits = [
        (len(begin), address)
        for name, address in entries
        for begin in (address, *_ALSO_UNDER.get(name, ()))
        if path == begin or (begin != "/" and path.startswith(begin))
    ]
    return max(fits, default=(0, ""))[1]
