"""`manage.py start` as a person uses it: it comes up, mends itself and leaves nothing behind."""

import contextlib
import http.client
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from config import servers

ROOT = Path(__file__).resolve().parents[2]
OURS = ("DATABASE_URL", "REDIS_URL", "WEARBOOK_DATA", "WEARBOOK_ENV", "DJANGO_SETTINGS_MODULE")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return probe.getsockname()[1]


def status(port):
    client = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        client.request("GET", "/healthz")
        return client.getresponse().status
    except OSError:
        return None
    finally:
        client.close()


def until(condition, *, within_s):
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "not within the time"
        time.sleep(0.1)


def children(pid):
    """Command lines by process number of what `pid` started."""
    found = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError):
                if int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1]) == pid:
                    words = (folder / "cmdline").read_bytes().split(b"\0")
                    found[int(folder.name)] = " ".join(word.decode() for word in words)
    return found


def still_held(data):
    """Whether any process of that run is alive: each holds the lock it inherited."""
    embedded = servers.EmbeddedServers(data)
    try:
        os.close(embedded._lock("children.lock"))
    except BlockingIOError:
        return True
    return False


def test_start_mends_itself_and_stops_cleanly():
    folder = servers.temporary_folder()
    data, port = folder / "data", free_port()
    with open(folder / "terminal", "wb") as terminal:
        run = subprocess.Popen(
            [
                *(sys.executable, "manage.py", "start", "--no-demo", "--workers", "1"),
                *("--port", str(port), "--data", str(data)),
            ],
            cwd=ROOT,
            env={name: value for name, value in os.environ.items() if name not in OURS},
            stdout=terminal,
            stderr=subprocess.STDOUT,
        )
    said = (folder / "terminal").read_text
    try:
        until(lambda: "Ready after" in said() or run.poll() is not None, within_s=90)
        assert "Ready after" in said(), said()
        assert status(port) == 200

        names = ("postgres", "valkey", "gunicorn", "celery", "beat", "relay")
        found = children(run.pid)
        assert all(any(name in line for line in found.values()) for name in names), found
        web = next(pid for pid, line in found.items() if "gunicorn" in line)
        os.kill(web, signal.SIGKILL)
        until(lambda: "web was ended by SIGKILL" in said(), within_s=10)
        until(lambda: status(port) == 200, within_s=60)

        run.send_signal(signal.SIGTERM)
        assert run.wait(timeout=60) == 0, said()
        assert "Stopped after" in said()
        assert not still_held(data)
    finally:
        run.kill()
        run.wait()
        until(lambda: not data.exists() or not still_held(data), within_s=30)
        shutil.rmtree(folder)
