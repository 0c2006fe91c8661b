from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from fleet.faults import Conflict, Fault
from inspections.models import Inspection, Photo
from inspections.services import photos, signing
from tests import factories
from tests.inspections.conftest import Bench
from tests.inspections.pictures import SECRET, picture, upload


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


def files_in(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def add(bench: Bench, inspection: Inspection, content: bytes | None = None) -> Photo:
    return photos.add_photo(
        actor=bench.technician,
        inspection=inspection,
        component="gears",
        upload=upload(content),
        caption=" Drive gear ",
    )


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_is_kept_without_the_cameras_own_data(
    bench: Bench, open_one: Inspection, kind: str
) -> None:
    sent = picture(kind=kind)
    assert SECRET.encode() in sent  # else this test would prove nothing
    photo = add(bench, open_one, sent)
    with photo.file.open("rb") as kept:
        content = kept.read()
    assert SECRET.encode() not in content
    with Image.open(BytesIO(content)) as again:
        assert (again.format, again.size, dict(again.getexif())) == ("JPEG", (40, 30), {})
    assert (photo.width_px, photo.height_px, photo.caption) == (40, 30, "Drive gear")


def test_a_photo_is_turned_upright_before_its_orientation_is_dropped(
    bench: Bench, open_one: Inspection
) -> None:
    photo = add(bench, open_one, picture(turned=6))  # a quarter turn
    assert (photo.width_px, photo.height_px) == (30, 40)


def test_a_large_photo_is_made_smaller(bench: Bench, open_one: Inspection) -> None:
    photo = add(bench, open_one, picture(size=(4000, 1000)))
    assert (photo.width_px, photo.height_px) == (2000, 500)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"GIF89a" + b"\0" * 40,
        picture()[:200],
        picture(kind="PNG")[:70] + b"\0" * 30,
    ],
    ids=["empty", "svg", "gif", "cut off", "damaged"],
)
def test_what_is_no_photo_is_refused(
    bench: Bench, open_one: Inspection, media: Path, content: bytes
) -> None:
    with pytest.raises(Fault) as caught:
        add(bench, open_one, content)
    assert (caught.value.code, caught.value.field) == ("not_a_photo", "file")
    assert not Photo.objects.exists()
    assert files_in(media) == []


def test_too_many_pixels_or_bytes_are_refused(
    bench: Bench, open_one: Inspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "LARGEST_PIXELS", 1199)
    with pytest.raises(Fault) as pixels:
        add(bench, open_one)
    monkeypatch.setattr(photos, "LARGEST_BYTES", 10)
    with pytest.raises(Fault) as large:
        add(bench, open_one)
    assert (pixels.value.code, large.value.code) == ("too_large", "too_large")
    assert not Photo.objects.exists()


def test_the_same_picture_is_kept_once(bench: Bench, open_one: Inspection, media: Path) -> None:
    assert add(bench, open_one).pk == add(bench, open_one).pk
    assert len(files_in(media)) == 1


def test_a_photo_taken_back_leaves_no_file(
    bench: Bench,
    open_one: Inspection,
    media: Path,
    django_capture_on_commit_callbacks: object,
) -> None:
    photo = add(bench, open_one)
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
        photos.remove_photo(actor=bench.technician, photo=photo)
    assert not Photo.objects.exists()
    assert files_in(media) == []


def test_taking_a_photo_from_a_correction_leaves_the_signed_one_its_file(
    bench: Bench,
    open_one: Inspection,
    media: Path,
    django_capture_on_commit_callbacks: object,
) -> None:
    kept = add(bench, open_one)
    factories.complete_inspection(bench.technician, open_one)
    signing.sign(actor=bench.technician, inspection=open_one)
    with pytest.raises(Conflict):
        photos.remove_photo(actor=bench.technician, photo=kept)
    new = signing.supersede(actor=bench.supervisor, inspection=open_one, why="Wrong gear")
    copied = new.photos.get()
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
        photos.remove_photo(actor=bench.technician, photo=copied)
    assert list(Photo.objects.all()) == [kept]
    assert len(files_in(media)) == 1
