"""Fills an empty installation with the demo scenario, the same every time."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.utils import timezone

from fleet.models import Site
from fleet.plumbing import outbox
from parts.demo import scenario, story


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--as-of",
            type=date.fromisoformat,
            help="the day on which the two years end (default: today)",
        )
        parser.add_argument("--accounts", action="store_true", help="only print the demo accounts")

    def handle(self, *args: Any, as_of: date | None, accounts: bool, **options: Any) -> None:
        if accounts:
            self.stdout.write(accounts_table())
            return
        if Site.objects.exists():
            raise CommandError(
                "This installation has sites already; the demo fills an empty one only."
            )
        began = time.monotonic()
        day = as_of or timezone.now().date()
        # Six in the morning: what the story calls today has happened already.
        today = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
        said: list[str] = []

        def say(line: str) -> None:
            if not said or said[-1] != line:
                said.append(line)
                self.stdout.write(f"demo: {line}")
                self.stdout.flush()

        with transaction.atomic():
            for line in story.tell(today, say):
                say(line)
        outbox.drain()
        self.stdout.write(f"demo: ready after {time.monotonic() - began:.0f} s")


def accounts_table() -> str:
    """The accounts to sign in with, one a line."""
    lines = [f"Password for all: {scenario.PASSWORD}"]
    for person in scenario.PEOPLE:
        roles = sorted({f"{role.label}{' (trainee)' if t else ''}" for _, role, t in person.places})
        sites = sorted({site for site, _, _ in person.places})
        lines.append(f"  {person.username:<20} {', '.join(roles)} at {', '.join(sites)}")
    return "\n".join(lines)
