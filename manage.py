#!/usr/bin/env python3
"""Entry point: `start`, `test` and Django's own commands.

On a bare machine config/bootstrap.py first builds the environment in .venv. Nothing of the
project or of a package is imported before that.
"""

import os
import sys


def main() -> None:
    if sys.version_info < (3, 11):  # noqa: UP036 -- this file may meet an older one
        sys.exit("Wearbook needs Python 3.11 or newer; this is " + sys.version.split()[0] + ".")
    # Behind this file we are on somebody's own machine unless told otherwise; the web server and
    # the workers read config/settings.py themselves, where production is the default.
    os.environ.setdefault("WEARBOOK_ENV", "local")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

    from config import bootstrap

    bootstrap.ensure(sys.argv)
    command = sys.argv[1] if len(sys.argv) > 1 else ""
    if command == "start":
        from config import supervisor

        sys.exit(supervisor.main(sys.argv[2:]))
    if command == "test":
        from config import testing

        sys.exit(testing.main(sys.argv[2:]))
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
