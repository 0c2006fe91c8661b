"""What a page of Wearbook may load and use: its own files, nothing inline, no device."""

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

_DEVICES = "microphone=(), geolocation=(), payment=(), usb=()"
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    # A photo is taken by the tablet itself and comes as a file; that takes no permission.
    "Permissions-Policy": f"camera=(), {_DEVICES}",
}


def with_camera(response: HttpResponse) -> HttpResponse:
    """The same answer as a page that may look through the camera: those that scan labels."""
    response["Permissions-Policy"] = f"camera=(self), {_DEVICES}"
    return response


class ContentSecurityPolicyMiddleware:
    """Adds HEADERS to every answer, error pages included; what a page set itself stays."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response
