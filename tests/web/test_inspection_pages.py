"""The inspection pages: who sees and may do what, and the way from opening to the report."""

from __future__ import annotations

import re
from datetime import timedelta
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from fleet.roles import Role
from inspections.models import Inspection, Photo
from inspections.rules.dispositions import Disposition
from inspections.rules.lifecycle import InspectionState
from inspections.services import dispositions, readings, signing
from tests import factories as make
from tests.web.bench import Bench, signed_in, words

pytestmark = pytest.mark.django_db


def all_pages(bench: Bench) -> list[str]:
    side = bench.line(make.SIDE)
    flatness = bench.line(make.FLATNESS)
    return [
        *(
            bench.url(name)
            for name in (
                "bench",
                "isolation",
                "nameplate",
                "components",
                "dispositions",
                "sign",
                "abandon",
                "countersign",
                "report",
                "supersede",
            )
        ),
        bench.url("component", "gears"),
        bench.url("check", side.pk),
        bench.url("check", bench.line(make.SHAFT_TO_BUSH).pk),
        bench.url("check", bench.line(make.WIDTHS).pk),
        bench.url("check", flatness.pk),
        reverse("inspections:open", args=[bench.inspection.pump_id]),
    ]


@pytest.mark.parametrize("who", ["technician", "competent", "auditor"])
def test_members_of_the_site_see_every_page(bench: Bench, who: str) -> None:
    client = signed_in(getattr(bench, who))
    assert {url: client.get(url).status_code for url in all_pages(bench)} == dict.fromkeys(
        all_pages(bench), 200
    )


def test_an_outsider_finds_nothing(bench: Bench) -> None:
    client = signed_in(bench.outsider)
    assert {client.get(url).status_code for url in all_pages(bench)} == {404}
    assert {client.post(url).status_code for url in all_pages(bench)} <= {404, 405}
    listed = client.get(reverse("inspections:list"))
    assert bench.inspection.pump.tag not in words(listed)


def test_who_is_not_signed_in_is_sent_to_the_sign_in_page(bench: Bench) -> None:
    url = bench.url("bench")
    response = Client().get(url)
    assert (response.status_code, response["Location"]) == (
        302,
        f"{reverse('fleet:sign-in')}?next={url}",
    )


def test_an_auditor_gets_no_forms(bench: Bench) -> None:
    client = signed_in(bench.auditor)
    for url in all_pages(bench):
        body = client.get(url).content.decode()
        # The head of every page has one form, to sign out.
        assert body.count('<form class="who" method="post"') == 1, url
        assert body.count('method="post"') == 1, url


def test_an_auditor_is_refused_and_nothing_is_written(bench: Bench) -> None:
    client = signed_in(bench.auditor)
    check = bench.url("check", bench.line(make.SIDE).pk)
    tap = {"do": "try", "instrument": bench.leaf_set.pk, "leaf": "0.10", "feel": "free"}
    seen = {"do": "finding", "word": "scored", "severity": "3"}
    answers = [
        client.post(check, tap),
        client.post(bench.url("component", "gears"), seen),
        client.post(bench.url("component", "seals"), {"do": "no_defect"}),
        client.post(bench.url("abandon"), {"why": "No reason"}),
    ]
    assert [a.status_code for a in answers] == [403] * 4
    assert all("may not inspect" in words(a) for a in answers)
    bench.inspection.refresh_from_db()
    assert bench.inspection.state == InspectionState.OPEN.value
    assert bench.inspection.readings.count() == 0
    assert bench.inspection.findings.count() == 0


def test_the_bench_says_first_what_is_true_now(bench: Bench) -> None:
    make.look_at_all(bench.technician, bench.inspection)
    bench.inspection.findings.filter(component="wear_plate_rear").delete()
    page = words(signed_in(bench.technician).get(bench.url("bench")))
    assert "0 of 6 checks are decided; wear plate, rear is not looked at yet." in page


# --- Opening -----------------------------------------------------------------------------------


def test_an_inspection_is_opened_and_isolated_from_the_pages(bench: Bench) -> None:
    pump = make.make_pump(bench.site)
    client = signed_in(bench.technician)
    opened = client.post(
        reverse("inspections:open", args=[pump.pk]), {"reason": "breakdown", "complaint": "Slow"}
    )
    inspection = Inspection.objects.get(pump=pump)
    isolation = reverse("inspections:isolation", args=[inspection.pk])
    assert opened["Location"] == isolation

    assert "Your site rules and licensed persons come first." in words(client.get(isolation))
    assert "Number of your own lock" not in words(client.get(isolation))
    client.post(isolation, {"do": "acknowledge"})
    yesterday = timezone.now().date() - timedelta(days=1)
    typed = {
        "lock_number": "L-7",
        "isolated_at": f"{yesterday}T09:10",
        "proved_zero_at": f"{yesterday}T09:05",
        "proved_zero_how": "Gauge P3 at 0 bar, start tried",
        "utc_offset_min": "60",
    }
    refused = client.post(isolation, typed)
    assert refused.status_code == 422
    assert "Zero is proved after isolation, not before." in words(refused)
    assert 'value="L-7"' in refused.content.decode()
    client.post(isolation, {**typed, "proved_zero_at": f"{yesterday}T09:20"})
    inspection.refresh_from_db()
    # The tablet's clock was an hour ahead of UTC.
    assert inspection.isolated_at is not None
    assert f"{inspection.isolated_at:%H:%M}" == "08:10"
    assert inspection.proved_zero_by == bench.technician


def test_a_difference_on_the_nameplate_is_recorded_as_one(bench: Bench) -> None:
    client = signed_in(bench.technician)
    page = client.post(
        bench.url("nameplate"), {"serial": "OS-99999", "displacement_cm3": "32,0"}, follow=True
    )
    assert f"The plate says serial OS-99999; the register says {bench.inspection.pump.serial}." in (
        words(page)
    )
    bench.inspection.pump.refresh_from_db()
    assert bench.inspection.pump.serial != "OS-99999"


def test_the_serial_or_the_reason_why_it_cannot_be_read_is_needed(bench: Bench) -> None:
    client = signed_in(bench.technician)
    refused = client.post(bench.url("nameplate"), {"maker": "Ostermoor"})
    assert refused.status_code == 422
    assert "or say why it cannot be read" in words(refused)
    taken = client.post(bench.url("nameplate"), {"illegible_reason": "Painted over"})
    assert taken.status_code == 302


# --- Components and photos ---------------------------------------------------------------------


def test_no_defect_is_one_tap_and_leads_to_the_next_component(bench: Bench) -> None:
    client = signed_in(bench.technician)
    answer = client.post(bench.url("component", "seals"), {"do": "no_defect"})
    assert answer["Location"] == bench.url("component", "wear_plate_front")
    assert bench.inspection.findings.get().word == "no_defect"


def test_a_finding_without_severity_keeps_the_word_chosen(bench: Bench) -> None:
    client = signed_in(bench.technician)
    response = client.post(
        bench.url("component", "gears"), {"do": "finding", "word": "scored", "note": "At the root"}
    )
    body = response.content.decode()
    assert response.status_code == 422
    assert "Choose how bad it is." in body
    assert re.search(r'name="word" value="scored"[^>]*\bchecked', body)
    assert "At the root" in body


def picture() -> SimpleUploadedFile:
    out = BytesIO()
    Image.new("RGB", (40, 30), (90, 80, 70)).save(out, "JPEG")
    return SimpleUploadedFile("plate.jpg", out.getvalue(), "image/jpeg")


def test_a_photo_is_kept_shown_to_the_site_alone_and_removed(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = bench.url("component", "gears")
    client.post(url, {"do": "photo", "file": picture(), "caption": "Root of tooth 3"})
    photo = Photo.objects.get()
    address = reverse("inspections:photo", args=[photo.pk])
    assert address in client.get(url).content.decode()
    served = client.get(address)
    assert (served.status_code, served["Content-Type"]) == (200, "image/jpeg")
    assert b"".join(served.streaming_content)[:3] == b"\xff\xd8\xff"
    assert signed_in(bench.outsider).get(address).status_code == 404
    client.post(url, {"do": "remove_photo", "photo": photo.pk})
    assert not Photo.objects.exists()


def test_a_file_that_is_no_photo_is_refused_beside_its_field(bench: Bench) -> None:
    response = signed_in(bench.technician).post(
        bench.url("component", "gears"),
        {"do": "photo", "file": SimpleUploadedFile("a.jpg", b"no photo"), "caption": "Tooth"},
    )
    assert response.status_code == 422
    assert "This file is no photo that can be read." in words(response)
    assert 'value="Tooth"' in response.content.decode()


# --- Deciding and signing ----------------------------------------------------------------------


def test_what_blocks_is_listed_with_its_page(bench: Bench) -> None:
    client = signed_in(bench.technician)
    body = client.get(bench.url("dispositions")).content.decode()
    assert f'href="{bench.url("check", bench.line(make.SIDE).pk)}"' in body
    assert f'href="{bench.url("component", "seals")}"' in body
    refused = client.post(bench.url("dispositions"), {"do": "propose"})
    assert refused.status_code == 422
    assert bench.inspection.dispositions.count() == 0


def test_overruling_without_a_reason_is_refused_beside_the_reason(bench: Bench) -> None:
    make.complete_inspection(bench.technician, bench.inspection)
    client = signed_in(bench.technician)
    asked = {"do": "overrule", "component": "bushes", "decided": "replace", "reason": ""}
    refused = client.post(bench.url("dispositions"), asked)
    assert refused.status_code == 422
    assert "Write down why you decide otherwise." in words(refused)
    client.post(bench.url("dispositions"), {**asked, "reason": "Rough to the finger"})
    row = bench.inspection.dispositions.get(component="bushes")
    assert (row.decided, row.overrule_reason) == ("replace", "Rough to the finger")


def test_signing_takes_the_tick_and_locks(bench: Bench) -> None:
    make.complete_inspection(bench.technician, bench.inspection)
    client = signed_in(bench.technician)
    version = bench.inspection.version
    assert client.post(bench.url("sign"), {"version": version}).status_code == 422
    client.post(bench.url("sign"), {"version": version, "confirmed": "on"})
    bench.inspection.refresh_from_db()
    assert bench.inspection.state == InspectionState.SIGNED.value
    assert f"Signed by {bench.technician}" in words(client.get(bench.url("sign")))


def test_who_signs_what_has_changed_meanwhile_is_shown_it_first(bench: Bench) -> None:
    make.complete_inspection(bench.technician, bench.inspection)
    client = signed_in(bench.technician)
    stale = client.post(bench.url("sign"), {"version": "1", "confirmed": "on"})
    assert stale.status_code == 422
    assert "was changed since you read it" in words(stale)
    # The page that comes back is made for the version it shows.
    assert f'name="version" value="{bench.inspection.version}"' in stale.content.decode()
    bench.inspection.refresh_from_db()
    assert bench.inspection.state == InspectionState.OPEN.value


def signed_by_trainee(bench: Bench) -> Inspection:
    trainee = make.make_person(bench.site, Role.TECHNICIAN, trainee=True)
    inspection = make.complete_inspection(
        trainee,
        make.make_inspection(trainee, make.make_pump(bench.site)),
        out=[make.SIDE],
    )
    line = make.line_named(inspection, make.SIDE)
    readings.retake(actor=trainee, inspection=inspection, line=line.pk, position=line.positions[0])
    readings.record_tries(
        actor=trainee,
        inspection=inspection,
        line=line.pk,
        position=line.positions[0],
        instrument=bench.leaf_set,
        tries=[make.leaf("0.10+0.06", "drag"), make.leaf("0.25", "refuses")],
    )
    dispositions.overrule(
        actor=trainee,
        inspection=inspection,
        component="bushes",
        decided=Disposition.REPLACE,
        reason="Rough to the finger",
    )
    return signing.sign(actor=trainee, inspection=inspection)


def test_a_trainee_is_told_who_can_countersign(bench: Bench) -> None:
    inspection = signed_by_trainee(bench)
    assert inspection.signed_by is not None
    page = words(
        signed_in(inspection.signed_by).get(reverse("inspections:sign", args=[inspection.pk]))
    )
    assert "It now awaits its countersignature." in page
    assert bench.competent.full_name in page


def test_raw_readings_stand_beside_the_verdict_for_the_second_person(bench: Bench) -> None:
    inspection = signed_by_trainee(bench)
    url = reverse("inspections:countersign", args=[inspection.pk])
    client = signed_in(bench.competent)
    assert inspection.pump.tag in words(client.get(reverse("inspections:queue")))
    page = words(client.get(url))
    assert "0.10 + 0.06 = 0.16 enters with light drag" in page
    assert "set aside" in page
    assert "out of limits" in page
    assert "Rough to the finger" in page
    client.post(url, {"do": "countersign", "version": inspection.version})
    inspection.refresh_from_db()
    assert inspection.countersigned_by == bench.competent


def test_sending_back_says_what_to_do_again(bench: Bench) -> None:
    inspection = signed_by_trainee(bench)
    url = reverse("inspections:countersign", args=[inspection.pk])
    client = signed_in(bench.competent)
    asked = {"do": "send_back", "version": inspection.version}
    assert client.post(url, {**asked, "why": " "}).status_code == 422
    client.post(url, {**asked, "why": "Measure the idler again"})
    inspection.refresh_from_db()
    assert inspection.state == InspectionState.OPEN.value
    report = words(client.get(reverse("inspections:report", args=[inspection.pk])))
    assert "Sent back: Measure the idler again" in report


def test_nobody_countersigns_their_own_work(bench: Bench) -> None:
    inspection = signed_by_trainee(bench)
    client = signed_in(inspection.signed_by)  # type: ignore[arg-type]
    url = reverse("inspections:countersign", args=[inspection.pk])
    assert "Countersigning takes a competent person" in words(client.get(url))
    asked = {"do": "countersign", "version": inspection.version}
    assert client.post(url, asked).status_code == 403
    inspection.refresh_from_db()
    assert inspection.countersigned_by is None


def test_the_report_of_a_corrected_inspection_leads_to_its_correction(bench: Bench) -> None:
    make.complete_inspection(bench.technician, bench.inspection)
    signing.sign(actor=bench.technician, inspection=bench.inspection)
    client = signed_in(bench.competent)
    begun = client.post(bench.url("supersede"), {"why": "Wrong lock number"})
    correction = Inspection.objects.get(supersedes=bench.inspection)
    assert begun["Location"] == reverse("inspections:bench", args=[correction.pk])
    assert "A correction is under way" in words(client.get(bench.url("report")))
    signing.sign(actor=bench.competent, inspection=correction)
    correction.refresh_from_db()
    assert correction.state == InspectionState.SIGNED.value
    page = words(client.get(bench.url("report")))
    assert f"Superseded by inspection {correction.pk} . Do not work by this sheet." in page
