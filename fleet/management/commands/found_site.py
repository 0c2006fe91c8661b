"""The first site and its first maintenance manager, who then adds everybody else."""

from __future__ import annotations

import getpass
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.faults import Fault
from fleet.services.people import found_site


class Command(BaseCommand):
    help = (
        "Adds a site and its first maintenance manager. The password is asked for, or read from "
        "the first line of standard input with --password-stdin; it never stands in the command."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("code", help="short name of the site in addresses, such as north-yard")
        parser.add_argument("name", help="name of the site, such as 'North Yard'")
        parser.add_argument("username", help="user name of its first maintenance manager")
        parser.add_argument("full_name", help="that person's full name")
        parser.add_argument("--password-stdin", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["password_stdin"]:
            password = sys.stdin.readline().rstrip("\r\n")
        else:
            password = getpass.getpass("Password of the maintenance manager: ")
            if password != getpass.getpass("The same again: "):
                raise CommandError("The two passwords differ. Nothing was added; start again.")
        try:
            site = found_site(
                code=options["code"],
                name=options["name"],
                username=options["username"],
                full_name=options["full_name"],
                password=password,
            )
        except Fault as fault:
            raise CommandError("\n".join(f.detail for f in fault.each())) from fault
        self.stdout.write(f"{site} is there, with {options['username']} to look after it.")
