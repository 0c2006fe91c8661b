"""The supervisor restarts what dies, waits longer each time, and stops in order."""

import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from config import servers, supervisor
from config.processes import spawn


@pytest.fixture
def watched(tmp_path):
    (tmp_path / "logs").mkdir()
    found = supervisor.Supervisor(servers.EmbeddedServers(tmp_path))
    yield found
    for child in found.children:
        if child.process is not None:
            child.process.kill()
            child.process.wait()


def child_of(watched, name, *argv):
    child = supervisor.Child(name, lambda: spawn(argv, log=watched.embedded.log(name)))
    watched.add(child)
    return child


def tick_until(watched, condition, within_s=5.0):
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "not within the time"
        watched.tick()
        time.sleep(0.02)


def test_a_killed_child_comes_back(watched, capsys):
    child = child_of(watched, "web", "sleep", "60")
    first = child.process
    os.kill(first.pid, signal.SIGKILL)
    tick_until(watched, lambda: child.process not in (first, None))
    assert child.process.poll() is None
    assert "web was ended by SIGKILL; starting it again in 0.5 s" in capsys.readouterr().out


def test_the_delay_grows_to_a_limit_and_is_forgotten_after_a_healthy_run(watched, monkeypatch):
    child = child_of(watched, "web", "false")
    delays = []
    for _ in range(9):
        child.process.wait()
        delays.append(child.delay_s)
        watched.tick()
        child.due_at = 0.0
        watched.tick()
    assert delays == [0.5, 1, 2, 4, 8, 16, 30, 30, 30]
    child.process.wait()
    child.started_at -= 61
    watched.tick()
    assert child.due_at - time.monotonic() == pytest.approx(0.5, abs=0.2)


def test_the_last_words_of_a_dead_child_are_shown(watched, capsys):
    child = child_of(watched, "web", "sh", "-c", "echo port is taken >&2; exit 3")
    child.process.wait()
    watched.tick()
    said = capsys.readouterr().out
    assert "web ended with code 3" in said
    assert "port is taken" in said


def test_what_a_dead_child_leaves_in_its_group_ends_with_it(watched):
    child = child_of(watched, "worker", "sh", "-c", "sleep 60 & echo $!; wait")
    log = watched.embedded.log("worker")
    tick_until(watched, lambda: log.read_text().strip())
    grandchild = int(log.read_text())
    first = child.process
    first.kill()
    tick_until(watched, lambda: child.process is not first)
    tick_until(watched, lambda: not running(grandchild))


def running(pid):
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_stop_is_gentle_first_and_firm_in_the_end(watched, monkeypatch):
    monkeypatch.setattr(supervisor, "_TASKS_END_S", 0.5)
    good = child_of(watched, "web", "sleep", "60")
    firm = child_of(
        watched,
        "worker",
        # Not a shell: it cannot trap QUIT where whoever started the tests ignores it.
        sys.executable,
        "-c",
        "import signal, sys, time\n"
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        "signal.signal(signal.SIGQUIT, lambda *_: sys.exit(7))\n"
        "print('up', flush=True)\n"
        "while True: time.sleep(0.05)",
    )
    tick_until(watched, lambda: watched.embedded.log("worker").read_text())
    watched.stop()
    assert good.process.returncode == -signal.SIGTERM
    assert firm.process.returncode == 7


def test_a_child_dies_with_the_process_that_started_it(tmp_path):
    code = (
        "import time\nfrom config.processes import spawn\n"
        "print(spawn(['sleep', '60']).pid, flush=True)\ntime.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=supervisor.ROOT, stdout=subprocess.PIPE, text=True
    ) as parent:
        pid = int(parent.stdout.readline())
        assert running(pid)
        parent.kill()
    end = time.monotonic() + 5
    while running(pid):
        assert time.monotonic() < end, "the child outlived its parent"
        time.sleep(0.02)


def test_a_taken_port_is_named_before_anything_starts(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert supervisor.main(["--port", str(port), "--data", str(tmp_path / "d")]) == 1
    assert f"Port {port} on 127.0.0.1 cannot be used" in capsys.readouterr().out
    assert not (tmp_path / "d").exists()


def test_the_secret_is_made_once_and_kept_private(tmp_path):
    embedded = servers.EmbeddedServers(tmp_path)
    options = supervisor.arguments([])
    supervisor._environment(embedded, options)
    key = tmp_path / "secret-key"
    first = key.read_text()
    assert len(first) >= 50
    assert key.stat().st_mode & 0o077 == 0
    supervisor._environment(embedded, options)
    assert key.read_text() == first


def test_only_an_open_address_allows_other_host_names(tmp_path, monkeypatch):
    monkeypatch.delenv("WEARBOOK_ALLOWED_HOSTS", raising=False)
    embedded = servers.EmbeddedServers(tmp_path)
    closed = supervisor._environment(embedded, supervisor.arguments([]))
    assert closed["WEARBOOK_ALLOWED_HOSTS"] == "localhost,127.0.0.1,[::1]"
    opened = supervisor._environment(embedded, supervisor.arguments(["--host", "0.0.0.0"]))  # noqa: S104
    hosts = opened["WEARBOOK_ALLOWED_HOSTS"].split(",")
    assert socket.gethostname() in hosts
    assert "*" not in hosts
