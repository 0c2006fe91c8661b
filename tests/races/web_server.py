"""The web server as it runs in use, several processes of it, on the database of a test."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import urlopen

from django.db import connection

ROOT = Path(__file__).resolve().parents[2]
PROCESSES, THREADS = 4, 4
_START_S = 60


@contextmanager
def serving(log: Path) -> Iterator[str]:
    """The address, as long as the block runs. Afterwards no process of it is left."""
    address = f"127.0.0.1:{_free_port()}"
    name = connection.settings_dict["NAME"]
    environment = {
        **os.environ,
        "DATABASE_URL": urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl(),
        "DJANGO_SETTINGS_MODULE": "config.settings_test",
        "WEARBOOK_LOG_LEVEL": "ERROR",
    }
    command = [
        *(sys.executable, "-m", "gunicorn", "config.wsgi:application", "--preload"),
        *("--no-control-socket", "--bind", address, "--log-level", "warning"),
        *("--worker-class", "gthread"),
        *("--workers", str(PROCESSES), "--threads", str(THREADS), "--graceful-timeout", "5"),
    ]
    with log.open("wb") as written:
        process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=environment,
            stdout=written,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        _wait_for(address, process, log)
        yield f"http://{address}"
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_for(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + _START_S
    while time.monotonic() < until and process.poll() is None:
        try:
            with urlopen(f"http://{address}/healthz", timeout=5) as answer:
                if answer.status == 200:
                    return
        except (URLError, OSError):
            time.sleep(0.2)
    raise AssertionError(f"The web server does not answer: {log.read_text()[-3000:]}")
