"""A client as an integrator would write one: HTTP and JSON, nothing of ours imported."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Any
    body: Any

    def ok(self) -> Any:
        assert 200 <= self.status < 300, (self.status, self.body)
        return self.body

    def refused(self, status: int) -> Any:
        assert self.status == status, (self.status, self.body)
        assert self.headers["Content-Type"].startswith("application/problem+json")
        return self.body


@dataclass(frozen=True)
class Client:
    """One person's or program's way in. `address` ends before /api/v1."""

    address: str
    token: str

    def send(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        key: str | None = None,
        etag: str | None = None,
    ) -> Answer:
        headers = {"Authorization": f"Bearer {self.token}", "Accept": "application/json"}
        data = None
        if body is not None:
            headers["Content-Type"] = "application/json"
            data = json.dumps(body).encode()
        if method == "POST":
            headers["Idempotency-Key"] = key or str(uuid.uuid4())
            data = data if data is not None else b"{}"
            headers.setdefault("Content-Type", "application/json")
        if etag is not None:
            headers["If-Match"] = etag
        request = Request(
            f"{self.address}/api/v1/{path}", data=data, headers=headers, method=method
        )
        try:
            with urlopen(request, timeout=30) as response:
                return _answer(response.status, response.headers, response.read())
        except HTTPError as refusal:
            return _answer(refusal.code, refusal.headers, refusal.read())

    def get(self, path: str) -> Any:
        return self.send("GET", path).ok()

    def post(self, path: str, body: Any = None, **more: Any) -> Any:
        return self.send("POST", path, body, **more).ok()

    def etag_of(self, path: str) -> str:
        answer = self.send("GET", path)
        answer.ok()
        return str(answer.headers["ETag"])


def _answer(status: int, headers: Any, content: bytes) -> Answer:
    return Answer(status, headers, json.loads(content) if content else None)
