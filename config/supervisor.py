"""`manage.py start`: brings up everything, keeps it up, and stops it without losing anything."""

from __future__ import annotations

import argparse
import http.client
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from config import servers
from config.processes import adopt_orphans, ended, signal_group, spawn

ROOT = Path(__file__).resolve().parent.parent
_LOG_KEPT_BYTES = 5_000_000
_TICK_S = 0.2
_FIRST_DELAY_S, _LONGEST_DELAY_S = 0.5, 30.0
# A child that ran this long is taken for healthy: its next restart waits the shortest time.
_HEALTHY_S = 60.0
_WEB_START_S = 60.0
# Time for running tasks to end by themselves; after it Celery puts them back into the queue.
_TASKS_END_S = 8.0


@dataclass
class Child:
    """One process that is to run all the time."""

    name: str
    launch: Callable[[], subprocess.Popen[bytes]]
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    delay_s: float = _FIRST_DELAY_S
    due_at: float = 0.0

    def start(self) -> None:
        self.process = self.launch()
        self.started_at = time.monotonic()


@dataclass
class Supervisor:
    embedded: servers.EmbeddedServers
    children: list[Child] = field(default_factory=list)

    def add(self, child: Child) -> None:
        child.start()
        self.children.append(child)

    def tick(self) -> None:
        """Reap what died; start again what is due."""
        self._reap()
        now = time.monotonic()
        for child in self.children:
            if child.process is not None and child.process.poll() is not None:
                if now - child.started_at > _HEALTHY_S:
                    child.delay_s = _FIRST_DELAY_S
                log = self.embedded.log(child.name)
                say(
                    f"{child.name} {_ending(child.process.returncode)}; "
                    f"starting it again in {child.delay_s:g} s. {log} ends: {_last_words(log)}"
                )
                signal_group(child.process, signal.SIGKILL)
                child.process, child.due_at = None, now + child.delay_s
                child.delay_s = min(child.delay_s * 2, _LONGEST_DELAY_S)
            elif child.process is None and now >= child.due_at:
                child.start()

    def _reap(self) -> None:
        """Grandchildren that lost their parent come to us; without this they stay as zombies."""
        ours = {child.process.pid for child in self.children if child.process is not None}
        while True:
            try:
                found = os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOHANG | os.WNOWAIT)
            except ChildProcessError:
                return
            if found is None or found.si_pid in ours:
                return
            os.waitpid(found.si_pid, 0)

    def stop(self) -> None:
        """Work first, then what it works on; in a few seconds also when something hangs."""
        running = {c.name: c.process for c in self.children if c.process is not None}
        data = [p for name in ("valkey", "postgres") if (p := running.pop(name, None))]
        for process in running.values():
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        until = time.monotonic() + _TASKS_END_S
        for number in (signal.SIGQUIT, signal.SIGKILL):
            late = [
                p
                for p in running.values()
                if not ended(p, within_s=max(0.05, until - time.monotonic()))
            ]
            for process in late:
                process.send_signal(number)
            until = time.monotonic() + (3.0 if late else 0.0)
        for process in running.values():
            signal_group(process, signal.SIGKILL)
        if data:
            self.embedded.stop()


def say(line: str) -> None:
    print(f"{time.strftime('%H:%M:%S')}  {line}", flush=True)


def _ending(code: int) -> str:
    return f"was ended by {signal.Signals(-code).name}" if code < 0 else f"ended with code {code}"


def _last_words(log: Path) -> str:
    lines = log.read_text(errors="replace").split("\n")[-20:] if log.exists() else []
    return next((line.strip()[:160] for line in reversed(lines) if line.strip()), "nothing")


def arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="manage.py start",
        description="Start Wearbook with its own PostgreSQL and Valkey. DATABASE_URL and "
        "REDIS_URL, where set, are used instead.",
    )
    parser.add_argument("--port", type=int, default=8000)
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on")
    parser.add_argument(
        "--data", type=Path, default=os.environ.get("WEARBOOK_DATA"), help="folder for all data"
    )
    parser.add_argument("--no-demo", action="store_true", help="leave a new database empty")
    parser.add_argument(
        "--workers", type=int, default=2, help="processes for pages and for tasks, each (2)"
    )
    return parser.parse_args(argv)


def main(argv: Sequence[str]) -> int:
    """Run until Ctrl-C or SIGTERM; returns the exit code."""
    options = arguments(argv)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _interrupt)
    # A shell may start a background job with Ctrl-C ignored; we want it either way.
    signal.signal(signal.SIGINT, _interrupt)
    data = Path(options.data).resolve() if options.data else servers.default_data_folder()
    embedded = servers.EmbeddedServers(data)
    supervisor = Supervisor(embedded)
    began = time.monotonic()
    code = 0
    try:
        _bring_up(supervisor, options)
        say(f"Ready after {time.monotonic() - began:.1f} s. Ctrl-C stops everything; data stay.")
        while True:
            supervisor.tick()
            time.sleep(_TICK_S)
    except KeyboardInterrupt:
        say("Stopping")
    except servers.ServerFault as fault:
        say(str(fault))
        code = 1
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        # A second Ctrl-C must not leave the database half stopped; this takes seconds only.
        signal.signal(number, signal.SIG_IGN)
    began = time.monotonic()
    supervisor.stop()
    embedded.stop()
    embedded.close()
    if code == 0:
        say(f"Stopped after {time.monotonic() - began:.1f} s")
    return code


def _interrupt(number: int, frame: object) -> None:
    raise KeyboardInterrupt


def _bring_up(supervisor: Supervisor, options: argparse.Namespace) -> None:
    embedded = supervisor.embedded
    _require_free_port(options.host, options.port)
    adopt_orphans()
    say(f"Data folder: {embedded.data}")
    embedded.open()
    _shorten_logs(embedded.data / "logs")
    environment = _environment(embedded, options)
    _start_servers(supervisor, environment)
    steps = _Steps(embedded, environment)
    steps.run("migrate", "Bringing the database up to date", "migrate", "--no-input")
    accounts = embedded.data / "demo-accounts.txt"
    if not options.no_demo and _is_empty(environment["DATABASE_URL"]):
        steps.run("demo", "Filling the new database with the demo workshop", "demo", show=True)
        accounts.unlink(missing_ok=True)
        steps.run("demo", "", "demo", "--accounts", log=accounts)
    programs = _programs(embedded, environment, options)
    say("Starting the pages")
    supervisor.add(programs.pop("web"))
    _wait_for_pages(supervisor, options)
    # After the pages: all of them at once would keep a small machine from answering.
    say(f"Starting {', '.join(programs)}")
    for child in programs.values():
        supervisor.add(child)
    if accounts.exists():
        say("Accounts of the demo workshop")
        print(accounts.read_text().rstrip(), flush=True)
    say(f"Wearbook: http://{_shown_host(options.host)}:{options.port}/")


def _environment(embedded: servers.EmbeddedServers, options: argparse.Namespace) -> dict[str, str]:
    key = embedded.data / "secret-key"
    if not key.exists():
        with os.fdopen(os.open(key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(50))
    hosts = "localhost,127.0.0.1,[::1]"
    if options.host not in ("127.0.0.1", "localhost", "::1"):
        hosts = ",".join([hosts, *_own_names(options.host)])
    environment = {
        "WEARBOOK_ALLOWED_HOSTS": hosts,
        **os.environ,
        "DATABASE_URL": os.environ.get("DATABASE_URL") or embedded.addresses.database_url,
        "REDIS_URL": os.environ.get("REDIS_URL") or embedded.addresses.redis_url,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "WEARBOOK_ENV": "local",
        "WEARBOOK_DATA": str(embedded.data),
        "PYTHONUNBUFFERED": "1",
    }
    environment.pop("WEARBOOK_BOOTSTRAPPED", None)
    return environment


def _start_servers(supervisor: Supervisor, environment: dict[str, str]) -> None:
    embedded = supervisor.embedded
    # In this order: `stop` of the embedded servers finds what was started, whatever fails next.
    own_postgres = environment["DATABASE_URL"] == embedded.addresses.database_url
    own_valkey = environment["REDIS_URL"] == embedded.addresses.redis_url
    if not (own_postgres or own_valkey):
        say("Using the PostgreSQL and Redis that DATABASE_URL and REDIS_URL name")
        return
    say(
        "Starting PostgreSQL and Valkey" + ("" if _has_cluster(embedded) else " for the first time")
    )
    embedded.prepare()
    embedded.start(postgres=own_postgres, valkey=own_valkey)
    for wanted, name, process, launch in (
        (own_postgres, "postgres", embedded.postgres, embedded.start_postgres),
        (own_valkey, "valkey", embedded.valkey, embedded.start_valkey),
    ):
        if wanted:
            supervisor.children.append(Child(name, launch, process, time.monotonic()))


def _has_cluster(embedded: servers.EmbeddedServers) -> bool:
    return (embedded.data / "postgres").exists()


@dataclass(frozen=True)
class _Steps:
    """Management commands that run to their end before the next thing happens."""

    embedded: servers.EmbeddedServers
    environment: dict[str, str]

    def run(
        self, name: str, line: str, *command: str, show: bool = False, log: Path | None = None
    ) -> None:
        """`show` lets the command speak to the terminal; otherwise only its failure is shown."""
        if line:
            say(line)
        if not show:
            log = log or self.embedded.log(name)
        process = spawn(
            [sys.executable, str(ROOT / "manage.py"), *command],
            log=log,
            env=self.environment,
            hold=[self.embedded.children_lock],
        )
        try:
            code = process.wait()
        except KeyboardInterrupt:
            process.send_signal(signal.SIGTERM)
            if not ended(process, within_s=5):
                signal_group(process, signal.SIGKILL)
                process.wait()
            raise
        if code != 0:
            tail = log.read_text(errors="replace").splitlines()[-15:] if log else []
            raise servers.ServerFault("\n".join([f"manage.py {' '.join(command)} failed.", *tail]))


def _programs(
    embedded: servers.EmbeddedServers, environment: dict[str, str], options: argparse.Namespace
) -> dict[str, Child]:
    python, manage, workers = sys.executable, str(ROOT / "manage.py"), str(options.workers)

    def child(name: str, *argv: str, death_signal: signal.Signals = signal.SIGTERM) -> Child:
        return Child(
            name,
            lambda: spawn(
                [python, *argv],
                log=embedded.log(name),
                env=environment,
                death_signal=death_signal,
                hold=[embedded.children_lock],
            ),
        )

    children = [
        child(
            "web",
            *("-m", "gunicorn", "config.wsgi:application", "--preload", "--no-control-socket"),
            *("--bind", _bind_address(options.host, options.port)),
            *("--worker-class", "gthread", "--workers", workers, "--threads", "4"),
            *("--graceful-timeout", "5", "--access-logfile", "-"),
        ),
        child(
            "worker",
            *("-m", "celery", "--app", "config", "worker", "--concurrency", workers),
            *("--loglevel", "INFO", "--without-gossip", "--without-mingle"),
            # Without us there is no broker either, and a worker told to stop gently would wait
            # for it. What it was doing is not acknowledged and comes back from the queue.
            death_signal=signal.SIGKILL,
        ),
        child("beat", manage, "beat"),
        child("relay", manage, "relay"),
    ]
    return {found.name: found for found in children}


def _wait_for_pages(supervisor: Supervisor, options: argparse.Namespace) -> None:
    until = time.monotonic() + _WEB_START_S
    while True:
        supervisor.tick()
        try:
            client = http.client.HTTPConnection(_local_host(options.host), options.port, timeout=5)
            client.request("GET", "/healthz", headers={"Host": f"localhost:{options.port}"})
            status = client.getresponse().status
            client.close()
        except OSError:
            status = 0
        if status == 200:
            return
        if time.monotonic() > until:
            log = supervisor.embedded.log("web")
            raise servers.ServerFault(
                f"The pages do not answer after {_WEB_START_S:.0f} s. Log: {log}"
            )
        time.sleep(_TICK_S)


def _is_empty(database_url: str) -> bool:
    """Nobody and no site yet: only then may the demo go in."""
    import psycopg

    with psycopg.connect(database_url) as connection:
        row = connection.execute(
            "SELECT EXISTS (SELECT FROM fleet_user) OR EXISTS (SELECT FROM fleet_site)"
        ).fetchone()
    return row == (False,)


def _require_free_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as exc:
            raise servers.ServerFault(
                f"Port {port} on {host} cannot be used ({exc.strerror}): choose another with "
                "--port, or stop what uses it."
            ) from exc


def _own_names(host: str) -> list[str]:
    """The names and addresses by which other machines may call this one."""
    names = {socket.gethostname(), socket.getfqdn()}
    if host not in ("0.0.0.0", "::"):  # noqa: S104 -- compared, not bound
        names.add(host)
    else:
        done = subprocess.run(["hostname", "-I"], capture_output=True, text=True, check=False)
        names.update(done.stdout.split())
    return sorted(f"[{name}]" if ":" in name else name for name in names)


def _local_host(host: str) -> str:
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104


def _shown_host(host: str) -> str:
    return f"[{_local_host(host)}]" if ":" in host else _local_host(host)


def _bind_address(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _shorten_logs(folder: Path) -> None:
    for log in folder.glob("*.log"):
        if log.stat().st_size > _LOG_KEPT_BYTES:
            log.replace(log.with_suffix(".log.old"))
