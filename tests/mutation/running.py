"""Runs the tests of one module against one change after the other, each in a process of its own.

The quick way collects the tests once; each child then gets the changed code put into the function
it belongs to. A change that survives so, or that is not in a function, runs again the slow way: a
fresh process imports the changed module as if it stood in the file. Only what survives there has
survived. Processor time is limited, not the time on the clock: a busy machine kills nothing.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.util
import os
import resource
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from _pytest.runner import runtestprotocol

from tests.mutation.changes import Change, changed

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = 25
PASSED, FAILED, TOO_LONG = "passed", "failed", "too long"
# Heavy and never changed: loaded once, before the first child is made.
PRELOADED = (
    "numpy", "scipy.special", "scipy.stats", "scipy.integrate", "scipy.optimize", "pint",
    "uncertainties",
)  # fmt: skip
ARGUMENTS = [
    "-x", "-q", "-s", "-W", "error", "-W", "ignore::pytest.PytestAssertRewriteWarning",
    "--noconftest", "--no-header", "-c", os.devnull,
    "--rootdir", str(ROOT),
    *(f"-pno:{name}" for name in ("cacheprovider", "django", "xdist", "playwright")),
]  # fmt: skip


class Few:
    """Property tests draw few examples, the same ones each time, and do not shrink."""

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in items:
            test = getattr(item, "obj", None)
            own = getattr(test, "_hypothesis_internal_use_settings", None)
            if own is not None:
                test._hypothesis_internal_use_settings = hypothesis.settings(
                    own,
                    max_examples=min(EXAMPLES, own.max_examples),
                    derandomize=True,
                    database=None,
                    deadline=None,
                    phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
                    suppress_health_check=list(hypothesis.HealthCheck),
                )


class Quick(Few):
    """Takes the place of the test loop: all changes one after the other, each in a child."""

    def __init__(self, module: str, source: str, changes: Sequence[Change]):
        self.module, self.source, self.changes = module, source, changes
        self.ends: list[str] = []
        self.base = 0.0

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        items = list(session.items)
        end, self.base = in_child(lambda: self._run(items), 600)
        if end != PASSED:
            raise SystemExit(f"The tests of {self.module} fail without any change.")
        functions = dict(_functions(importlib.import_module(self.module)))
        for change in self.changes:
            if change.function is None or change.function not in functions:
                self.ends.append(PASSED)
                continue
            end, _ = in_child(lambda c=change: self._changed(items, functions, c), limit(self.base))
            self.ends.append(end)
        return True

    def _changed(
        self, items: list[pytest.Item], functions: dict[str, types.FunctionType], change: Change
    ) -> bool:
        code = compile(changed(self.source, change), self.module, "exec")
        found = [c for c in _codes(code) if c.co_qualname == change.function]
        try:
            functions[change.function].__code__ = found[-1]
        except ValueError:
            return True  # it shares variables with its surroundings: left to the slow way
        return self._run(items)

    def _run(self, items: list[pytest.Item]) -> bool:
        for at, item in enumerate(items):
            following = items[at + 1] if at + 1 < len(items) else None
            if any(r.failed for r in runtestprotocol(item, log=False, nextitem=following)):
                return False
        return True


def _codes(code: types.CodeType) -> Iterator[types.CodeType]:
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield constant
            yield from _codes(constant)


def _functions(module: types.ModuleType) -> Iterator[tuple[str, types.FunctionType]]:
    for holder in [module, *(v for v in vars(module).values() if isinstance(v, type))]:
        for held in list(vars(holder).values()):
            for part in (held, getattr(held, "fget", None), getattr(held, "__func__", None)):
                function = getattr(part, "__wrapped__", part)
                if not isinstance(function, types.FunctionType):
                    continue
                if function.__module__ == module.__name__:
                    yield function.__qualname__, function


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the changed module to whoever imports it."""

    def __init__(self, module: str, path: Path, source: str, change: Change):
        self.module, self.path = module, path
        self.code = compile(changed(source, change), str(path), "exec")

    def find_spec(self, name: str, path: Any, target: Any = None) -> Any:
        if name != self.module:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(self.path))

    def exec_module(self, module: types.ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(self.code, module.__dict__)  # noqa: S102


def limit(base: float) -> int:
    """Seconds of processor time after which a change counts as an endless loop."""
    return int(20 + 10 * base)


def in_child(run: Callable[[], bool], seconds: int) -> tuple[str, float]:
    """How the tests ended in a child, and its processor time in seconds."""
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
            resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
            sys.dont_write_bytecode = True
            code = 0 if run() else 1
        finally:
            os._exit(code)
    _, status, used = os.wait4(pid, 0)
    spent = used.ru_utime + used.ru_stime
    if os.WIFSIGNALED(status):
        return TOO_LONG, spent
    return (PASSED if os.WEXITSTATUS(status) == 0 else FAILED), spent


def run_module(module: str, tests: Sequence[str], changes: Sequence[Change]) -> list[str]:
    """For each change: passed (it survived), failed or too long (it was killed)."""
    for name in PRELOADED:
        importlib.import_module(name)
    path = ROOT / (module.replace(".", "/") + ".py")
    source = path.read_text()
    arguments = [*ARGUMENTS, *tests]
    # The quick way imports the unchanged module, so it must not run in this process.
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        out = os.dup(1)
        os.close(read)
        quick = Quick(module, source, changes)
        try:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            pytest.main(arguments, plugins=[quick])
        finally:
            with os.fdopen(write, "w") as pipe:
                pipe.write("\n".join([str(quick.base), *quick.ends]))
            os.close(out)
            os._exit(0)
    os.close(write)
    with os.fdopen(read) as pipe:
        base, *ends = pipe.read().split("\n")
    os.waitpid(pid, 0)
    if len(ends) != len(changes):
        raise SystemExit(f"The tests of {module} do not pass without any change.")
    for at, change in enumerate(changes):
        if ends[at] == PASSED:

            def afresh(change: Change = change) -> bool:
                sys.meta_path.insert(0, Changed(module, path, source, change))
                return pytest.main(arguments, plugins=[Few()]) == 0

            ends[at], _ = in_child(afresh, limit(float(base)))
    return ends
