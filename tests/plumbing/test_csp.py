from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.test import RequestFactory

from fleet.plumbing.csp import ContentSecurityPolicyMiddleware, with_camera


def headers_of(status: int) -> HttpResponse:
    def page(request: HttpRequest) -> HttpResponse:
        return HttpResponse(status=status)

    return ContentSecurityPolicyMiddleware(page)(RequestFactory().get("/"))


def test_every_answer_carries_the_policy_and_nothing_inline_is_let_in() -> None:
    for status in (200, 404, 500):
        response = headers_of(status)
        directives = dict(
            part.strip().split(" ", 1) for part in response["Content-Security-Policy"].split(";")
        )
        assert directives == {
            "default-src": "'self'",
            "img-src": "'self' data: blob:",
            "object-src": "'none'",
            "frame-ancestors": "'none'",
            "base-uri": "'self'",
            "form-action": "'self'",
        }
        assert response["Referrer-Policy"] == "same-origin"
        assert "camera=()" in response["Permissions-Policy"]


def test_only_a_page_that_scans_may_look_through_the_camera() -> None:
    def page(request: HttpRequest) -> HttpResponse:
        return with_camera(HttpResponse())

    response = ContentSecurityPolicyMiddleware(page)(RequestFactory().get("/"))
    assert response["Permissions-Policy"].startswith("camera=(self), microphone=()")
    assert "Content-Security-Policy" in response
