"""Looking at pages as somebody who is signed in."""

from __future__ import annotations

import re
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.models import Site, User


def signed_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def text_of(response: Any) -> str:
    """What stands on a page, without its marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def queries_of(client: Client, address: str) -> int:
    client.get(address)
    with CaptureQueriesContext(
        connection,
    ) as captured:
        assert client.get(address).status_code == 200
    return len(captured)


def send_file(client: Client, site: Site, content: str) -> Any:
    upload = SimpleUploadedFile("pumps.csv", content.encode())
    return client.post("/files/", {"kind": "pumps", "site": site.pk, "file": upload})
