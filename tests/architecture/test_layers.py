"""House rules that a linter cannot see."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
APPS = ("fleet", "inspections", "parts")


def pure_modules() -> list[str]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    contracts = settings["tool"]["importlinter"]["contracts"]
    (pure,) = (c for c in contracts if c["name"] == "rules are free of frameworks")
    names: list[str] = []
    for name in pure["source_modules"]:
        folder = ROOT.joinpath(*name.split("."))
        inside = sorted(f"{name}.{path.stem}" for path in folder.glob("[!_]*.py"))
        names += inside or [name]
    return names


def test_the_rules_load_without_any_framework() -> None:
    code = (
        f"import importlib, sys\n"
        f"for name in {pure_modules()!r}: importlib.import_module(name)\n"
        "print(sorted(m for m in sys.modules if m.split('.')[0] in"
        " {'django', 'rest_framework', 'celery', 'psycopg', 'redis', 'pgtrigger'}))"
    )
    # A fresh interpreter: this one has Django loaded already.
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == "[]"


def edge_files() -> list[Path]:
    return sorted(
        path for app in APPS for edge in ("api", "web") for path in (ROOT / app / edge).glob("*.py")
    )


@pytest.mark.parametrize("path", edge_files(), ids=lambda p: str(p.relative_to(ROOT)))
def test_edges_write_nothing_themselves(path: Path) -> None:
    """Services are the only writers, so no view saves, creates, updates or deletes a row."""
    writers = {"save", "bulk_create", "bulk_update", "update_or_create", "get_or_create"}
    found = [
        f"line {node.lineno}: .{node.func.attr}("
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and (
            # A page's own save() is its one service call.
            (node.func.attr in writers and ast.unparse(node.func.value) != "self")
            or (
                node.func.attr in {"create", "update", "delete"}
                and isinstance(node.func.value, ast.Attribute)
                and node.func.value.attr == "objects"
            )
        )
    ]
    assert found == []


def test_there_are_edges_to_look_at() -> None:
    assert len(edge_files()) > 10


def test_only_the_relay_and_beat_queue_tasks() -> None:
    queueing = {"delay", "apply_async", "delay_on_commit", "send_task"}
    callers = {
        str(path.relative_to(ROOT))
        for app in APPS
        for path in (ROOT / app).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in queueing
    }
    assert callers == {"fleet/plumbing/tasks.py"}


def test_app_packages_run_nothing_when_imported() -> None:
    """Only the front of a models package names what is in it: Django asks for one module."""
    full = [
        str(path.relative_to(ROOT))
        for app in APPS
        for path in (ROOT / app).rglob("__init__.py")
        if path.read_text().strip() and path.parent != ROOT / app / "models"
    ]
    assert full == []
    for app in APPS:
        front = ROOT / app / "models" / "__init__.py"
        if front.exists():
            kinds = {type(node) for node in ast.parse(front.read_text()).body[1:]}
            assert kinds == {ast.ImportFrom, ast.Assign}, front
