"""`manage.py test`: pytest on servers of its own."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
_ONE_PROCESS = ("-n", "--numprocesses", "--pdb", "--collect-only", "--co", "-h", "--help")


def main(arguments: Sequence[str]) -> int:
    """Run pytest with `arguments`; the exit code is pytest's.

    The whole suite runs on all cores (at most four); once something is selected it is small
    enough for one process.
    """
    import pytest

    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings_test"
    os.environ["WEARBOOK_ENV"] = "test"
    selected = any(not a.startswith("-") or a.startswith(_ONE_PROCESS) for a in arguments)
    spread = [] if selected else ["-n", "auto", "--maxprocesses", "4"]
    return int(pytest.main(["-p", "config.pytest_servers", *spread, *arguments]))
