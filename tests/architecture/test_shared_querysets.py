"""What a class holds is shared by all threads of the server, so compiling it must not change it.

An inner query whose model is ordered across a relation gets a join while it is compiled, in the
object that the next thread is just compiling too.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.db.models import Model, QuerySet
from django.db.models.expressions import Subquery
from django.urls import URLPattern, URLResolver, get_resolver

from parts.models import StockLevel


def held_by_views() -> dict[str, QuerySet[Any]]:
    """Class name -> the queryset it holds, of every address."""
    found: dict[str, QuerySet[Any]] = {}

    def look(patterns: list[Any]) -> None:
        for pattern in patterns:
            if isinstance(pattern, URLResolver):
                look(pattern.url_patterns)
            elif isinstance(pattern, URLPattern):
                view = pattern.callback
                held = getattr(view, "view_class", None) or getattr(view, "cls", None)
                rows = getattr(held, "scoped_queryset", None)
                rows = getattr(held, "queryset", None) if rows is None else rows
                if isinstance(rows, QuerySet):
                    found[f"{held.__module__}.{held.__name__}"] = rows

    look(get_resolver().url_patterns)
    return found


def inner(node: Any) -> Iterator[Any]:
    """Every inner query below a query or an expression."""
    query = getattr(node, "query", None)
    if isinstance(node, Subquery) and query is not None:
        yield query
    children = [*getattr(node, "annotations", {}).values(), getattr(node, "where", None)]
    children += getattr(node, "children", [])
    if hasattr(node, "get_source_expressions"):
        children += node.get_source_expressions()
    if query is not None:
        children.append(query)
    for child in children:
        if child is not None:
            yield from inner(child)


def joins(rows: QuerySet[Any]) -> list[list[str]]:
    return [sorted(query.alias_map) for query in inner(rows.query)]


HELD = held_by_views()


def test_the_views_are_found() -> None:
    assert len(HELD) > 80


def changed_by_compiling(rows: QuerySet[Model]) -> bool:
    before = joins(rows)
    rows.all().query.get_compiler(connection=connection).as_sql()
    return joins(rows) != before


@pytest.mark.django_db
@pytest.mark.parametrize("name", sorted(HELD))
def test_compiling_changes_nothing_that_is_shared(name: str) -> None:
    assert not changed_by_compiling(HELD[name])


@pytest.mark.django_db
def test_a_shared_inner_query_that_is_ordered_would_be_found() -> None:
    ordered = StockLevel.objects.filter(on_hand=1).values("bin")[:1]
    assert changed_by_compiling(StockLevel.objects.annotate(other=Subquery(ordered)))
