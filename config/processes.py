"""Starting child processes that cannot outlive their parent. Standard library, Linux."""

from __future__ import annotations

import contextlib
import ctypes
import os
import pwd
import signal
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

_PR_SET_PDEATHSIG = 1
_PR_SET_CHILD_SUBREAPER = 36
_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(frozen=True)
class Account:
    """The unprivileged user that the servers run as when we are root."""

    name: str
    uid: int
    gid: int


def server_account() -> Account | None:
    """None when we are not root: then the servers simply run as we do."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(name, entry.pw_uid, entry.pw_gid)
    raise SystemExit(
        "PostgreSQL must not run as root, and this system has neither a 'postgres' nor a "
        "'nobody' user: run this command as an ordinary user."
    )


def spawn(
    argv: Sequence[str],
    *,
    log: Path | None = None,
    env: Mapping[str, str] | None = None,
    account: Account | None = None,
    death_signal: signal.Signals = signal.SIGTERM,
    hold: Sequence[int] = (),
) -> subprocess.Popen[bytes]:
    """Start `argv` in a process group of its own.

    The kernel sends it `death_signal` when the thread that called this ends, so call it from the
    main thread. `hold` are descriptors the child keeps open (locks it shares). Output is added to
    the end of `log`, or shares our own.
    """
    parent = os.getpid()

    def in_child() -> None:
        # After the change of user, because that change clears the parent-death signal.
        die_with_parent(death_signal)
        if os.getppid() != parent:
            os._exit(1)

    output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600) if log else None
    try:
        return subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=None if output is None else subprocess.STDOUT,
            env=None if env is None else dict(env),
            user=account.uid if account else None,
            group=account.gid if account else None,
            extra_groups=[] if account else None,
            pass_fds=tuple(hold),
            process_group=0,
            preexec_fn=in_child,
        )
    finally:
        if output is not None:
            os.close(output)


def die_with_parent(number: signal.Signals) -> None:
    """Ask the kernel to send us `number` when the thread that started us ends."""
    _libc.prctl(_PR_SET_PDEATHSIG, int(number), 0, 0, 0)


def adopt_orphans() -> None:
    """Grandchildren whose parent dies become our children, so that none is left unseen."""
    _libc.prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def signal_group(process: subprocess.Popen[bytes], number: signal.Signals) -> None:
    """Signal whatever is left of the group that `spawn` made, if anything is."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, number)


def ended(process: subprocess.Popen[bytes], *, within_s: float) -> bool:
    try:
        process.wait(timeout=within_s)
    except subprocess.TimeoutExpired:
        return False
    return True
