"""`manage.py check_ledger`: whether all stock sums are the sums of the ledger."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from parts.services import ledger


class Command(BaseCommand):
    help = "Compares the stock sums with the ledger and the open demands; fails on a difference."

    def handle(self, *args: Any, **options: Any) -> None:
        differences = ledger.check_ledger()
        for difference in differences:
            self.stderr.write(str(difference))
        if differences:
            raise CommandError(f"{len(differences)} differ. Count those shelves and correct them.")
        self.stdout.write("All stock sums are those of the ledger.")
