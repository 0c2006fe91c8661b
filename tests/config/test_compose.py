"""docker-compose.yml against the Compose Specification, and its commands against the code.

compose-spec.json is the JSON schema of the Compose Specification (Apache License 2.0, copyright
2020 The Compose Specification Authors), unchanged. It knows the format, not our services.
"""

import json
import re
import tomllib
from importlib.metadata import distribution
from pathlib import Path

import jsonschema
import pytest
import yaml
from django.core.management import get_commands

ROOT = Path(__file__).resolve().parents[2]
VALIDATOR = jsonschema.Draft201909Validator(
    json.loads(Path(__file__).with_name("compose-spec.json").read_text())
)
TEXT = (ROOT / "docker-compose.yml").read_text()
COMPOSE = yaml.safe_load(TEXT)
APP_SERVICES = ["migrate", "web", "worker", "beat", "relay"]


def test_follows_the_compose_specification():
    VALIDATOR.validate(COMPOSE)


def test_the_schema_is_not_blind():
    broken = {"services": {"web": {"image": "x", "comand": "y"}}}
    with pytest.raises(jsonschema.ValidationError, match="comand"):
        VALIDATOR.validate(broken)


def test_services_are_the_ones_that_start_runs_plus_the_migration():
    assert set(COMPOSE["services"]) == {"postgres", "redis", *APP_SERVICES}


def _command(name):
    command = COMPOSE["services"][name].get("command")
    if command is None:
        last = re.search(r"^CMD (\[.*?\])", (ROOT / "config/Dockerfile").read_text(), re.M | re.S)
        command = json.loads(last.group(1).replace("\\\n", ""))
    return command


@pytest.mark.parametrize("name", APP_SERVICES)
def test_each_command_exists(name):
    program, *rest = _command(name)
    if program == "python":
        assert (ROOT / rest[0]).is_file()
        assert rest[1] in get_commands()
    else:
        scripts = distribution(program).entry_points.select(group="console_scripts")
        assert program in {script.name for script in scripts}


@pytest.mark.parametrize("name", sorted(set(COMPOSE["services"]) - {"migrate"}))
def test_each_lasting_service_has_a_health_check_and_comes_back(name):
    service = COMPOSE["services"][name]
    assert service["healthcheck"]["test"]
    assert service["restart"] == "unless-stopped"


@pytest.mark.parametrize("name", APP_SERVICES)
def test_app_services_are_confined_and_wait_for_what_they_need(name):
    service = COMPOSE["services"][name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["environment"]["WEARBOOK_ENV"] == "production"
    needs = service["depends_on"]
    assert needs["postgres"]["condition"] == "service_healthy"
    assert ("migrate" in needs) == (name != "migrate")


@pytest.mark.parametrize(
    "variable", ["POSTGRES_PASSWORD", "WEARBOOK_SECRET_KEY", "WEARBOOK_ALLOWED_HOSTS"]
)
def test_a_missing_secret_stops_compose(variable):
    uses = re.findall(r"\$\{" + variable + r"\b[^}]*\}", TEXT)
    assert uses
    assert all(use.startswith("${" + variable + ":?") for use in uses)


def test_named_volumes_are_declared():
    used = {
        volume.split(":")[0]
        for service in COMPOSE["services"].values()
        for volume in service.get("volumes", [])
    }
    assert used == set(COMPOSE["volumes"])


def test_the_image_uses_the_oldest_python_we_promise_and_no_root():
    dockerfile = (ROOT / "config/Dockerfile").read_text()
    promised = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["requires-python"]
    assert f"python:{promised.removeprefix('>=')}-" in dockerfile
    users = re.findall(r"^USER (\S+)$", dockerfile, re.M)
    assert users == ["wearbook"]


def test_the_workers_grace_is_longer_than_a_task_may_take(settings):
    grace = COMPOSE["services"]["worker"]["stop_grace_period"]
    assert int(grace.removesuffix("s")) > settings.CELERY_TASK_TIME_LIMIT
