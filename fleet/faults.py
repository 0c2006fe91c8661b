"""Refusals a person can act on. Rules and services raise them; the edges show them.

A fault names the field it belongs to (dotted path into what was sent, or "" for the whole), a
stable code for programs and a sentence for people. The API turns it into problem+json, a page
shows it beside its field.
"""

from __future__ import annotations

from collections.abc import Sequence


class Fault(Exception):
    """Something that was asked cannot be done as asked; the sentence says what to do instead."""

    status = 422
    code = "invalid"

    def __init__(self, detail: str, *, field: str = "", code: str | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.field = field
        if code is not None:
            self.code = code

    def at(self, prefix: str) -> Fault:
        """The same fault, seen from one level further out (a row of a table, say)."""
        self.field = f"{prefix}.{self.field}" if self.field else prefix
        return self

    def each(self) -> Sequence[Fault]:
        return (self,)


class Conflict(Fault):
    """Right in itself, but not in the state things are in."""

    status = 409
    code = "conflict"


class NotAllowed(Fault):
    """The person may see this but may not do that to it."""

    status = 403
    code = "not_allowed"


class Stale(Fault):
    """Somebody else changed it since it was read."""

    status = 412
    code = "stale"


class Faults(Fault):
    """Several at once: all are reported, never only the first."""

    code = "several"

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__(" ".join(f.detail for f in faults))
        self.faults = tuple(faults)

    def at(self, prefix: str) -> Fault:
        for fault in self.faults:
            fault.at(prefix)
        return self

    def each(self) -> Sequence[Fault]:
        return self.faults
