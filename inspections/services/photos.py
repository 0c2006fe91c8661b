"""Photos of findings: checked, re-encoded, and stripped of everything but the picture."""

from __future__ import annotations

import hashlib
from io import BytesIO

from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.utils import timezone
from PIL import Image, ImageOps, UnidentifiedImageError

from fleet.faults import Fault
from fleet.models import User
from fleet.services.rows import refuse
from inspections.models import Inspection, Photo
from inspections.services.findings import require_component
from inspections.services.rows import length_faults, open_for_work

LARGEST_BYTES = 12 * 1024 * 1024
LARGEST_PIXELS = 50_000_000
LONGEST_SIDE_PX = 2_000
FORMATS = ("JPEG", "PNG", "WEBP")


def cleaned(content: bytes) -> tuple[bytes, int, int]:
    """The picture as a new JPEG without metadata, turned upright, with its width and height in px.

    Raises Fault for anything that is no JPEG, PNG or WebP of a sensible size.
    """
    if len(content) > LARGEST_BYTES:
        raise Fault(
            f"The photo has {len(content) / 1_048_576:.1f} MB; at most 12 MB can be taken. "
            "Lower the camera's resolution.",
            field="file",
            code="too_large",
        )
    try:
        with Image.open(BytesIO(content), formats=FORMATS) as picture:
            # The header tells the size before a single pixel is unpacked.
            if picture.width * picture.height > LARGEST_PIXELS:
                raise Fault(
                    f"The photo is {picture.width} x {picture.height} pixels, too many to take. "
                    "Lower the camera's resolution.",
                    field="file",
                    code="too_large",
                )
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (
        UnidentifiedImageError,
        OSError,
        # Some decoders complain of a damaged file in these words.
        SyntaxError,
        ValueError,
        Image.DecompressionBombError,
    ) as error:
        raise Fault(
            "This file is no photo that can be read. Send a JPEG, PNG or WebP picture.",
            field="file",
            code="not_a_photo",
        ) from error
    upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    # A fresh image carries pixels only: no place, no time, no camera serial.
    fresh = Image.new("RGB", upright.size)
    fresh.paste(upright)
    out = BytesIO()
    fresh.save(out, "JPEG", quality=85, optimize=True)
    return out.getvalue(), fresh.width, fresh.height


def add_photo(
    *,
    actor: User,
    inspection: Inspection,
    component: str,
    upload: UploadedFile[bytes],
    caption: str = "",
) -> Photo:
    """Keep a photo with one component of an open inspection. The same picture is kept once."""
    if upload.size is not None and upload.size > LARGEST_BYTES:
        raise Fault("The photo is larger than 12 MB.", field="file", code="too_large")
    refuse(length_faults(Photo, caption=caption.strip()))
    content, width, height = cleaned(upload.read())
    digest = hashlib.sha256(content).hexdigest()
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        part = require_component(row, component)
        known = Photo.objects.filter(inspection=row, component=part.value, sha256=digest).first()
        if known is not None:
            return known
        photo = Photo(
            inspection=row,
            component=part.value,
            sha256=digest,
            width_px=width,
            height_px=height,
            caption=caption.strip(),
            taken_by=actor,
            taken_at=timezone.now(),
        )
        photo.file.save(f"{digest}.jpg", ContentFile(content), save=False)
        photo.save()
        return photo


def remove_photo(*, actor: User, photo: Photo) -> None:
    """Take a photo back while the inspection is open."""
    with transaction.atomic():
        row = open_for_work(actor, photo.inspection)
        gone = Photo.objects.filter(inspection=row, pk=photo.pk).first()
        if gone is None:
            return
        gone.delete()
        storage, name = gone.file.storage, str(gone.file.name)

        def forget_file() -> None:
            # A correction shares the files of the inspection that it corrects.
            if not Photo.objects.filter(file=name).exists():
                storage.delete(name)

        transaction.on_commit(forget_file)
