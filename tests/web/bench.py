"""What the tests of the inspection pages stand on."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from typing import Any

from django.test import Client
from django.urls import reverse

from fleet.models import SheetLine, Site, User
from fleet.roles import Role
from inspections.models import Inspection, Instrument
from tests import factories as make


@dataclass
class Bench:
    """An open inspection, proved zero, with the people who stand round it."""

    site: Site
    technician: User
    competent: User
    auditor: User
    outsider: User
    inspection: Inspection
    leaf_set: Instrument

    def line(self, characteristic: str) -> SheetLine:
        return make.line_named(self.inspection, characteristic)

    def url(self, name: str, *more: object) -> str:
        return reverse(f"inspections:{name}", args=[self.inspection.pk, *more])


def make_bench() -> Bench:
    site = make.make_site()
    technician = make.make_person(site, Role.TECHNICIAN)
    return Bench(
        site=site,
        technician=technician,
        competent=make.make_person(site, Role.COMPETENT_PERSON),
        auditor=make.make_person(site, Role.AUDITOR),
        outsider=make.make_person(make.make_site(), Role.SUPERVISOR),
        inspection=make.make_inspection(technician, make.make_pump(site)),
        leaf_set=make.make_leaf_set(site),
    )


def signed_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def words(response: Any) -> str:
    """The text of a page as it reads, without tags."""
    text = re.sub(r"<(script|style|title)\b.*?</\1>", " ", response.content.decode(), flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))
