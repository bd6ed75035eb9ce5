"""A photo kept with a hand core: decoded and written anew, so that nothing but the picture itself is kept.

What a phone writes into a photo (where it was taken, by which device, when, a small copy) is left behind. What is no picture,
or unfolds to far more than it seems, is refused before it is unfolded.
"""

from __future__ import annotations

import hashlib
import io
import threading
import warnings
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from PIL import Image, ImageOps
from sqlalchemy import Engine

from service.errors import InputError
from service.jobs.actor import Actor, audit
from service.storage.core_photos import PhotoRecord, add_photo, photo_of, remove_photo
from service.storage.cores import find_core
from service.storage.session import transaction

#: Most bytes taken in, and most pixels unfolded.
LARGEST = 6 * 1024 * 1024
MOST_PIXELS = 40_000_000
#: Longest side kept [pixel], and how finely: about 200 kB, enough to see floc and scum by.
SIDE, QUALITY = 1280, 78
_FORMATS = ("JPEG", "PNG", "WEBP")
#: One at a time: unfolding one takes up to 160 MB.
_ONE = threading.Lock()


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo as it is kept. [pixel]"""

    jpeg: bytes
    width: int
    height: int


def plain_picture(content: bytes) -> Picture:
    """The picture alone, upright, no larger than is useful.

    Parameters
    ----------
    content : a JPEG, PNG or WebP file.

    Raises
    ------
    InputError
        when it is too large, or no picture.
    """
    if len(content) > LARGEST:
        raise InputError(f"the photo is larger than {LARGEST // 1024 // 1024} MB: take one with fewer pixels")
    try:
        with _ONE, warnings.catch_warnings():
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(content), formats=_FORMATS) as found:
                if found.width * found.height > MOST_PIXELS:
                    raise InputError(f"the photo has more than {MOST_PIXELS // 1_000_000} million pixels")
                found.draft("RGB", (SIDE, SIDE))  # a JPEG is unfolded no larger than needed
                upright = ImageOps.exif_transpose(found).convert("RGB")
            upright.thumbnail((SIDE, SIDE))
            held = io.BytesIO()
            upright.save(held, "JPEG", quality=QUALITY, optimize=True, exif=b"", comment=b"")
    except InputError:
        raise
    except Exception as exc:  # decoders fail in many ways on what is no picture; none of them is ours to tell apart
        raise InputError("this is no photo that can be read: JPEG, PNG and WebP can") from exc
    return Picture(held.getvalue(), upright.width, upright.height)


def keep_photo(engine: Engine, core_id: UUID, content: bytes, actor: Actor, *, now: datetime) -> bool:
    """Keep a photo with a core; False when this very photo is kept already.

    Raises
    ------
    InputError
        when there is no such core, it has another photo, or the photo cannot be taken.
    """
    digest = hashlib.sha256(content).hexdigest()
    with transaction(engine) as conn:
        if find_core(conn, core_id) is None:
            raise InputError("there is no such core")
        old = photo_of(conn, core_id)
    if old is None:
        picture = plain_picture(content)
        record = PhotoRecord(
            core_id=core_id,
            recorded_at=now,
            sha256=digest,
            width=picture.width,
            height=picture.height,
            jpeg=picture.jpeg,
        )
        with transaction(engine) as conn:
            if add_photo(conn, record):
                audit(conn, actor, now, "photo kept", str(core_id), {"bytes": len(picture.jpeg)})
                return True
            old = photo_of(conn, core_id)
    if old is not None and old.sha256 != digest:
        raise InputError("this core has a photo already")
    return False


def drop_photo(engine: Engine, core_id: UUID, actor: Actor, *, reason: str, now: datetime) -> None:
    """Take a photo out for good: somebody is on it who should not be, say. That it was there stays in the audit log.

    Raises
    ------
    InputError
        when there is none, or no reason is given.
    """
    if not reason.strip():
        raise InputError("say why the photo is taken out")
    with transaction(engine) as conn:
        if not remove_photo(conn, core_id):
            raise InputError("this core has no photo")
        audit(conn, actor, now, "photo taken out", str(core_id), {"reason": reason.strip()})
