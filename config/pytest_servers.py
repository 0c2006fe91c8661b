"""Early pytest plugin (`-p config.pytest_servers`): servers for the length of one test run.

pytest-django reads the settings before any conftest, so the servers start when this module is
imported. The workers of pytest-xdist find the addresses in the environment they inherit.
DATABASE_URL or REDIS_URL, where set, are used as they are.
"""

from __future__ import annotations

import atexit
import os
import shutil

from config import servers


def _start() -> None:
    own_postgres = not os.environ.get("DATABASE_URL")
    own_valkey = not os.environ.get("REDIS_URL")
    if not (own_postgres or own_valkey):
        return
    folder = servers.temporary_folder()
    embedded = servers.EmbeddedServers(folder, throw_away=True)
    owner = os.getpid()

    def remove() -> None:
        if os.getpid() == owner:
            embedded.stop()
            embedded.close()
            shutil.rmtree(folder, ignore_errors=True)

    atexit.register(remove)
    embedded.open()
    embedded.prepare()
    embedded.start(postgres=own_postgres, valkey=own_valkey)
    os.environ["WEARBOOK_DATA"] = str(folder)
    if own_postgres:
        os.environ["DATABASE_URL"] = embedded.addresses.database_url
    if own_valkey:
        os.environ["REDIS_URL"] = embedded.addresses.redis_url


_start()
