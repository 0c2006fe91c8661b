"""Messages to somebody else's system: signed, sent once to where they are meant to go.

The sender signs "<timestamp>.<body>" with HMAC-SHA256 (RFC 2104, FIPS 180-4) and a secret that
both know; the receiver computes the same, refuses old timestamps, and takes each delivery id
once. Sending is meant for a handler of the outbox, which tries again later and parks what keeps
failing.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import ssl
from collections.abc import Mapping
from contextlib import suppress
from http.client import HTTPConnection, HTTPException
from threading import Timer
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

from fleet.faults import Fault

SIGNATURE = "Wearbook-Signature"
TIMESTAMP = "Wearbook-Timestamp"
DELIVERY = "Wearbook-Delivery"
TIMEOUT_S = 10.0
TOLERANCE_S = 300
_SCHEME_MARK = "sha256="
# IPv6 addresses that carry an IPv4 one (RFC 6052).
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")


class NotDelivered(Exception):
    """The other side did not take the message; the sentence says what happened."""


# --- Signing ------------------------------------------------------------------------------------


def new_secret() -> str:
    """A secret of 256 bits to share with one receiver."""
    return secrets.token_urlsafe(32)


def sign(secret: str, timestamp: int, body: bytes) -> str:
    """The signature of a body sent at `timestamp` (seconds since 1970): "sha256=<hex>"."""
    digest = hmac.new(secret.encode(), f"{timestamp}.".encode() + body, "sha256").hexdigest()
    return _SCHEME_MARK + digest


def verify(
    secret: str,
    *,
    timestamp: int,
    body: bytes,
    signature: str,
    now: int,
    tolerance_s: int = TOLERANCE_S,
) -> bool:
    """Whether a message is ours and fresh: what the receiver does. Takes the same time always."""
    fresh = abs(now - timestamp) <= tolerance_s
    expected = sign(secret, timestamp, body).encode()
    return hmac.compare_digest(expected, signature.encode("utf-8", "replace")) and fresh


# --- Addresses ----------------------------------------------------------------------------------


def require_address(url: str, *, field: str = "webhook_url") -> str:
    """`url` as it is stored. Raises Fault for one that messages cannot safely be sent to.

    Only https, no name or password in it, no host of the own network: a message must not become
    a way to call what stands beside this server. WEARBOOK_WEBHOOKS_INSIDE lifts both for a
    receiver in the same network. Names are looked up, and checked, anew at each sending.
    """
    url = url.strip()
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as exc:
        raise Fault(f"'{url[:60]}' is no web address.", field=field, code="address") from exc
    host = parts.hostname or ""
    inside = settings.WEBHOOKS_INSIDE
    allowed = ("https", "http") if inside or settings.DEBUG else ("https",)
    if parts.scheme not in allowed or not host or port == 0 or not url.isprintable() or " " in url:
        raise Fault(
            "Give the whole address, beginning with https://, such as "
            "https://orders.example.com/in.",
            field=field,
            code="address",
        )
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise Fault(
            "The address must hold no user name, password or '#'. What is sent is signed instead.",
            field=field,
            code="address",
        )
    if not inside and (_is_local_name(host) or _is_inside_literal(host)):
        raise Fault(
            f"'{host}' is inside the own network. Give an address that can be reached from "
            "outside, or ask whoever runs this server to allow it.",
            field=field,
            code="address_inside",
        )
    return url


def _is_local_name(host: str) -> bool:
    name = host.rstrip(".").lower()
    return name == "localhost" or name.endswith((".localhost", ".local", ".internal"))


def _is_inside_literal(host: str) -> bool:
    try:
        return _is_inside(host)
    except ValueError:
        return False  # a name: what it stands for is seen when it is looked up


def _is_inside(address: str) -> bool:
    found = ipaddress.ip_address(address.split("%", 1)[0])
    if isinstance(found, ipaddress.IPv6Address):
        inner = found.ipv4_mapped or found.sixtofour
        if found in _NAT64:
            inner = ipaddress.IPv4Address(int(found) & 0xFFFFFFFF)
        if inner is not None:
            return _is_inside(str(inner))
    return not found.is_global or found.is_multicast


def _look_up(parts: SplitResult, port: int) -> str:
    """The IP address to connect to. Raises NotDelivered when it is not known or not allowed."""
    host = parts.hostname or ""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as exc:
        raise NotDelivered(f"The host {host} is not known.") from exc
    addresses = [str(entry[4][0]) for entry in found]
    if not settings.WEBHOOKS_INSIDE and any(_is_inside(address) for address in addresses):
        raise NotDelivered(f"The host {host} stands for an address inside the own network.")
    return addresses[0]


# --- Sending ------------------------------------------------------------------------------------


class _Pinned(HTTPConnection):
    """Connects to the address that was checked: asked again, a name might stand for another."""

    def __init__(self, host: str, port: int, address: str, *, tls: bool) -> None:
        super().__init__(host, port, timeout=TIMEOUT_S)
        self.address, self.tls = address, tls
        # What the Host header leaves out.
        self.default_port = 443 if tls else 80

    def connect(self) -> None:
        plain = socket.create_connection((self.address, self.port), timeout=self.timeout)
        self.sock = plain
        if self.tls:
            context = ssl.create_default_context()
            self.sock = context.wrap_socket(plain, server_hostname=self.host)

    def cut(self) -> None:
        with suppress(OSError):
            if self.sock is not None:
                self.sock.shutdown(socket.SHUT_RDWR)


def post(
    url: str,
    body: bytes,
    *,
    secret: str,
    delivery: str,
    timestamp: int,
    headers: Mapping[str, str] | None = None,
    timeout_s: float = TIMEOUT_S,
) -> int:
    """Posts signed JSON and returns the status of the answer, which is one of 200 to 299.

    delivery: an id that is the same whenever the same message is sent again. timeout_s: for all
    of it from the connection on, however slowly the other side drips its answer. Redirects are
    not followed: the body would go where nobody agreed to. Proxies of the environment are not
    used, since they would look the name up themselves.
    Raises NotDelivered for anything but an answer of 2xx.
    """
    parts = urlsplit(url)
    tls = parts.scheme == "https"
    port = parts.port or (443 if tls else 80)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    connection = _Pinned(parts.hostname or "", port, _look_up(parts, port), tls=tls)
    connection.timeout = timeout_s
    deadline = Timer(timeout_s, connection.cut)
    deadline.daemon = True
    deadline.start()
    try:
        connection.request(
            "POST",
            path,
            body,
            {
                "Content-Type": "application/json",
                "User-Agent": "Wearbook",
                **(headers or {}),
                TIMESTAMP: str(timestamp),
                DELIVERY: delivery,
                SIGNATURE: sign(secret, timestamp, body),
            },
        )
        status = connection.getresponse().status
    except TimeoutError as exc:
        raise NotDelivered(f"No answer within {timeout_s:g} seconds.") from exc
    except (OSError, HTTPException, ValueError) as exc:
        raise NotDelivered(f"The connection failed: {type(exc).__name__}: {exc}"[:300]) from exc
    finally:
        deadline.cancel()
        connection.close()
    if not 200 <= status < 300:
        to = " It points elsewhere, and redirects are not followed." if 300 <= status < 400 else ""
        raise NotDelivered(f"The answer was HTTP {status}.{to}")
    return status
