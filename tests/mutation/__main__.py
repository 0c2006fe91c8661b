"""python -m tests.mutation [--sample N] [--seed S] [MODULE ...]: which changes go unnoticed.

Without a module all of them run. Prints each surviving change and a table.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

from tests.mutation.changes import changes_of
from tests.mutation.modules import TESTS_OF
from tests.mutation.running import PASSED, ROOT, TOO_LONG, run_module


def main() -> int:
    ask = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    ask.add_argument(
        "modules", nargs="*", metavar="MODULE", help="such as inspections.rules.leaves"
    )
    ask.add_argument("--sample", type=int, default=0, help="at most so many changes a module")
    ask.add_argument("--seed", type=int, default=1, help="which sample (default 1)")
    asked = ask.parse_args()
    rows = []
    for module in asked.modules or list(TESTS_OF):
        if module not in TESTS_OF:
            ask.error(f"{module} is not in tests/mutation/modules.py; add it with its tests.")
        began = time.monotonic()
        changes = changes_of((ROOT / (module.replace(".", "/") + ".py")).read_text())
        total = len(changes)
        if asked.sample and total > asked.sample:
            drawn = random.Random(asked.seed).sample(range(total), asked.sample)
            changes = [changes[i] for i in sorted(drawn)]
        tests = [f"tests/pure/{name}.py" for name in TESTS_OF[module]]
        ends = run_module(module, tests, changes)
        for change, end in zip(changes, ends, strict=True):
            if end == PASSED:
                print(f"SURVIVED {module} {change}", flush=True)
        killed = sum(end != PASSED for end in ends)
        late = ends.count(TOO_LONG)
        rows.append((module, total, len(changes), killed, late))
        print(row(rows[-1]), f"{time.monotonic() - began:.0f} s", flush=True)
    print("\nmodule | changes | run | killed | of these too long | percent")
    for each in rows:
        print(row(each))
    print(row(("all", *(sum(r[i] for r in rows) for i in range(1, 5)))))
    return 0


def row(row: tuple[str, int, int, int, int]) -> str:
    module, total, run, killed, late = row
    return f"{module} | {total} | {run} | {killed} | {late} | {100 * killed / max(run, 1):.1f}"


if __name__ == "__main__":
    sys.exit(main())
