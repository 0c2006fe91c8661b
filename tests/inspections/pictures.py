"""Small pictures as a camera would send them."""

from __future__ import annotations

from io import BytesIO

from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

_GPS_IFD, _CAMERA_MAKER, _ORIENTATION = 0x8825, 0x010F, 0x0112
SECRET = "Camera of Mara Holt"


def picture(
    *, size: tuple[int, int] = (40, 30), colour: str = "grey", kind: str = "JPEG", turned: int = 1
) -> bytes:
    """A picture that carries place, camera and orientation."""
    exif = Image.Exif()
    exif[_CAMERA_MAKER] = SECRET
    exif[_ORIENTATION] = turned
    exif.get_ifd(_GPS_IFD)[1] = "N"
    out = BytesIO()
    Image.new("RGB", size, colour).save(out, kind, exif=exif)
    return out.getvalue()


def upload(content: bytes | None = None, name: str = "photo.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, picture() if content is None else content, "image/jpeg")
