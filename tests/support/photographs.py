"""Small photos as phones make them."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image


def photo(width: int = 120, height: int = 80, form: str = "JPEG", orientation: int = 1) -> bytes:
    """A picture, dark at its left and light at its right, with where and by what it was taken written into it."""
    shades = np.tile(np.linspace(0, 255, width, dtype=np.uint8), (height, 1))
    exif = Image.Exif()
    exif[0x010F] = "Invented Phones"  # Make
    exif[0x0112] = orientation
    exif.get_ifd(0x8825).update({1: "N", 2: (41.0, 30.0, 12.0), 3: "W", 4: (71.0, 7.0, 3.0)})  # GPS
    held = io.BytesIO()
    Image.fromarray(shades).convert("RGB").save(held, form, exif=exif)
    return held.getvalue()


def endless_photo(scans: int) -> bytes:
    """A progressive JPEG whose last scan comes again and again: 300 kB that keep a decoder busy for more than a minute."""
    held = io.BytesIO()
    with Image.open(io.BytesIO(photo(1200, 900))) as picture:
        picture.save(held, "JPEG", progressive=True, quality=30)
    sent = held.getvalue()
    last = sent.rindex(b"\xff\xda")
    return sent[:last] + sent[last:-2] * scans + b"\xff\xd9"
