"""`manage.py check_verdicts`: whether every verdict follows from what it was computed from."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inspections.verdict_selectors import Tally, verdict_differences


class Command(BaseCommand):
    help = "Judges every verdict again from its stored basis; fails where a bit differs."

    def handle(self, *args: Any, **options: Any) -> None:
        tally, differ = Tally(), 0
        for difference in verdict_differences(tally):
            differ += 1
            self.stderr.write(str(difference))
        self.stdout.write(
            f"{tally.same} verdicts come out the same to the last bit, "
            f"{tally.without_basis} were made before a basis was kept."
        )
        if differ:
            raise CommandError(f"{differ} come out otherwise. Look at each before you rely on it.")
