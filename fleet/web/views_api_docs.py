"""The page at /api/, open to everybody: it says how to use the API and gives nothing away."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views import View

from fleet.plumbing.problems import PROBLEMS
from fleet.web.api_docs import groups


class ApiDocs(View):
    def get(self, request: HttpRequest) -> HttpResponse:
        return render(
            request,
            "fleet/api_docs.html",
            {"groups": groups(), "problems": PROBLEMS.items()},
        )
