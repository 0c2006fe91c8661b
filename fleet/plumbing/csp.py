"""What a page of Wearbook may load and use: its own files, nothing inline, the tablet's camera."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

POLICY = "; ".join(
    (
        "default-src 'self'",
        # data: for small images drawn by the server, blob: for a photo before it is sent.
        "img-src 'self' data: blob:",
        "object-src 'none'",
        "frame-ancestors 'none'",
        "base-uri 'self'",
        "form-action 'self'",
    )
)

HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": ("camera=(self), microphone=(), geolocation=(), payment=(), usb=()"),
}


class ContentSecurityPolicyMiddleware:
    """Adds HEADERS to every answer, error pages included."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        for name, value in HEADERS.items():
            response[name] = value
        return response
