"""Production stops at unsafe values and names them; the rest follows from the environment."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from celery import current_app
from django.conf import settings

ROOT = Path(__file__).resolve().parents[2]
SAFE = {
    "WEARBOOK_SECRET_KEY": "w7Zq-1xR9_kLm3Np5Tv8Yb2Cd4Fg6Hj0Qs-aEiOuXyZw",
    "WEARBOOK_ALLOWED_HOSTS": "wearbook.example",
    "DATABASE_URL": "postgresql://u:p@db.example/wearbook",
    "REDIS_URL": "redis://redis.example/0",
    "WEARBOOK_DATA": "/nowhere",
}


def load(code="", **changes):
    """Import the settings in a fresh interpreter whose environment holds nothing else of ours."""
    variables = {"PATH": os.environ["PATH"], **SAFE, **changes}
    return subprocess.run(
        [sys.executable, "-c", f"import json\nfrom config import settings as s\n{code}"],
        cwd=ROOT,
        env={name: value for name, value in variables.items() if value is not None},
        capture_output=True,
        text=True,
        check=False,
    )


def values(*names, **changes):
    done = load(f"print(json.dumps({{n: getattr(s, n, None) for n in {names!r}}}))", **changes)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_production_is_the_default_and_safe_values_pass():
    found = values(
        "ENVIRONMENT",
        "DEBUG",
        "SESSION_COOKIE_SECURE",
        "CSRF_COOKIE_SECURE",
        "SECURE_SSL_REDIRECT",
        "SECURE_HSTS_SECONDS",
        "SECURE_PROXY_SSL_HEADER",
    )
    assert found == {
        "ENVIRONMENT": "production",
        "DEBUG": False,
        "SESSION_COOKIE_SECURE": True,
        "CSRF_COOKIE_SECURE": True,
        "SECURE_SSL_REDIRECT": True,
        "SECURE_HSTS_SECONDS": 31_536_000,
        "SECURE_PROXY_SSL_HEADER": None,
    }


@pytest.mark.parametrize(
    ("variable", "value", "words"),
    [
        ("WEARBOOK_SECRET_KEY", None, "not set"),
        ("WEARBOOK_SECRET_KEY", "short", "random"),
        ("WEARBOOK_SECRET_KEY", "a" * 60, "random"),
        ("WEARBOOK_SECRET_KEY", "django-insecure-w7Zq1xR9kLm3Np5Tv8Yb2Cd4Fg6Hj0Qs", "random"),
        ("WEARBOOK_DEBUG", "true", "production"),
        ("WEARBOOK_ALLOWED_HOSTS", None, "not set"),
        ("WEARBOOK_ALLOWED_HOSTS", " , ", "not set"),
        ("WEARBOOK_ALLOWED_HOSTS", "*", "host names"),
        ("WEARBOOK_ALLOWED_HOSTS", "wearbook.example,*", "host names"),
        ("DATABASE_URL", None, "not set"),
        ("REDIS_URL", None, "not set"),
        ("WEARBOOK_ENV", "prod", "one of"),
    ],
)
def test_production_refuses(variable, value, words):
    done = load(**{variable: value})
    assert done.returncode != 0
    last = done.stderr.strip().splitlines()[-1]
    assert "ImproperlyConfigured" in last
    assert variable in last
    assert words in last


def test_a_proxy_is_trusted_only_when_told_and_redirects_can_be_left_to_it():
    found = values(
        "SECURE_PROXY_SSL_HEADER",
        "SECURE_SSL_REDIRECT",
        "SESSION_COOKIE_SECURE",
        "CSRF_TRUSTED_ORIGINS",
        WEARBOOK_BEHIND_PROXY="true",
        WEARBOOK_SSL_REDIRECT="false",
        WEARBOOK_CSRF_TRUSTED_ORIGINS="https://wearbook.example",
    )
    assert found == {
        "SECURE_PROXY_SSL_HEADER": ["HTTP_X_FORWARDED_PROTO", "https"],
        "SECURE_SSL_REDIRECT": False,
        "SESSION_COOKIE_SECURE": True,
        "CSRF_TRUSTED_ORIGINS": ["https://wearbook.example"],
    }


def test_a_local_run_finds_the_embedded_servers_and_its_own_secret(tmp_path):
    (tmp_path / "secret-key").write_text("kept from the first start")
    found = values(
        "SECRET_KEY",
        "DATABASES",
        "SESSION_COOKIE_SECURE",
        "SECURE_SSL_REDIRECT",
        WEARBOOK_ENV="local",
        WEARBOOK_SECRET_KEY=None,
        WEARBOOK_ALLOWED_HOSTS=None,
        DATABASE_URL=None,
        REDIS_URL=None,
        WEARBOOK_DATA=str(tmp_path),
    )
    assert found["SECRET_KEY"] == "kept from the first start"
    # A unix socket's folder: a path, and no port.
    assert found["DATABASES"]["default"]["HOST"].startswith("/")
    assert found["DATABASES"]["default"]["PORT"] == ""
    assert found["SESSION_COOKIE_SECURE"] is False
    assert found["SECURE_SSL_REDIRECT"] is False


def test_no_task_can_outlive_the_time_after_which_it_is_delivered_again():
    conf = current_app.conf
    visible_again_s = conf.broker_transport_options["visibility_timeout"]
    assert conf.task_soft_time_limit < conf.task_time_limit < visible_again_s
    assert conf.task_acks_late
    assert conf.task_reject_on_worker_lost
    assert conf.worker_prefetch_multiplier == 1
    assert conf.task_ignore_result
    assert conf.accept_content == ["json"]
    assert conf.broker_transport_options["unacked_restore_interval"] == 5
    assert conf.broker_transport_options["unacked_restore_throttle"] == 1


def test_every_periodic_task_exists():
    current_app.loader.import_default_modules()
    wanted = {entry["task"] for entry in settings.CELERY_BEAT_SCHEDULE.values()}
    assert wanted - set(current_app.tasks) == set()
