"""What every test can ask for."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# Playwright's synchronous way runs an event loop in this thread; Django would refuse the database.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if CHROMIUM is not None:
        return
    skip = pytest.mark.skip(reason="No Chromium on this machine: browser tests did not run.")
    for item in items:
        if item.get_closest_marker("browser") is not None:
            item.add_marker(skip)


@pytest.fixture(autouse=True)
def _photos_apart(settings: Any, tmp_path: Path) -> None:
    """Uploads of a test go where nobody else looks, and away with it."""
    settings.MEDIA_ROOT = str(tmp_path / "media")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A real Chromium without a screen, and without a word to any other host."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        # Playwright gives each start an empty profile folder of its own.
        running = playwright.chromium.launch(
            executable_path=CHROMIUM,
            headless=True,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield running
        running.close()
