"""Settings of the test run: the real engines, cheap passwords, nothing shared between workers."""

import os
import tempfile

os.environ["WEARBOOK_ENV"] = "test"
# Type checks and the like import this without any server: no address is needed for that.
os.environ.setdefault("WEARBOOK_DATA", os.path.join(tempfile.gettempdir(), "wearbook-test"))

from config.settings import *  # noqa: F403
from config.settings import CACHES, DATABASES

ALLOWED_HOSTS = ["testserver", "localhost", "127.0.0.1"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
# Requests and tests share one thread; a kept connection would only block dropping the database.
DATABASES["default"]["CONN_MAX_AGE"] = 0
CACHES["default"] = {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
