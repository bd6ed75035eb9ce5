"""Decodes and re-encodes an uploaded photo in a confined child process.

Image decoders are large, and a file can be made to keep one busy for minutes or to take all memory. So untrusted photos are decoded by
a child process with little memory and time and no rights (:mod:`service.confinement`). Metadata (place, device, time, thumbnail)
is removed.
"""

from __future__ import annotations

import io
import subprocess
import sys
import threading
import warnings
from dataclasses import dataclass

from service.confinement import child_command, confine, confine_one
from service.errors import InputError, StorageError

#: Largest file [byte], and most pixels decoded.
LARGEST = 6 * 1024 * 1024
MOST_PIXELS = 40_000_000
#: Longest side kept [pixel], and how finely: about 200 kB, enough to see floc and scum by.
SIDE, QUALITY = 1280, 78
_FORMATS = ("JPEG", "PNG", "WEBP")
#: Limits of the child: memory [byte], processor time [s], time [s]. 40 million pixels of four bytes, twice, and the decoder.
MEMORY, PROCESSOR_S, WALL_S = 768 << 20, 10, 60.0
#: Photos at the same time, and how long another waits [s]; a phone keeps its photo and sends it again.
_TURNS = threading.BoundedSemaphore(2)
TURN_WAIT_S = 5.0

_NO_PHOTO = "this is no photo that can be read: JPEG, PNG and WebP can"


@dataclass(frozen=True, slots=True)
class Photo:
    """A stored photo. [pixel]"""

    jpeg: bytes
    width: int
    height: int


def normalize_photo(content: bytes, *, processor_s: int = PROCESSOR_S) -> Photo:
    """Re-encode a photo as an upright JPEG without metadata, of at most ``SIDE`` pixels.

    Parameters
    ----------
    content : a JPEG, PNG or WebP file.
    processor_s : processor time for decoding. [s]

    Raises
    ------
    InputError
        when it is too large, takes too much to decode, or is no picture.
    StorageError
        when too many others are being decoded; retryable.
    """
    if len(content) > LARGEST:
        raise InputError(f"the photo is larger than {LARGEST // 1024 // 1024} MB: take one with fewer pixels")
    if not _TURNS.acquire(timeout=TURN_WAIT_S):
        raise StorageError("Other photos are being taken in; try again in a moment.", retryable=True)
    try:
        done = subprocess.run(
            child_command(_CHILD, str(processor_s)),
            input=content,
            capture_output=True,
            timeout=WALL_S,
            env={},
            cwd="/",
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise InputError("the photo takes too long to unfold: take it anew") from error
    finally:
        _TURNS.release()
    if done.returncode == _REFUSED:
        raise InputError(done.stdout.decode("utf-8", "replace"))
    if done.returncode != 0:
        raise InputError("the photo takes too much to unfold: take it anew" if done.returncode < 0 else _NO_PHOTO)
    size, _, jpeg = done.stdout.partition(b"\n")
    width, height = (int(word) for word in size.split())
    return Photo(jpeg, width, height)


_REFUSED = 3
_CHILD = "from service.photo import child; child(int(sys.argv[1]))"


def child(processor_s: int) -> None:
    """The child process: confine itself, decode standard input, and write the picture to standard output."""
    # Modules loaded after the confinement would not be found.
    from PIL import ImageOps, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

    del ImageOps, JpegImagePlugin, PngImagePlugin, WebPImagePlugin
    confine(memory=MEMORY)
    confine_one(processor_s)
    try:
        photo = _decode(sys.stdin.buffer.read(LARGEST + 1))
    except InputError as error:
        sys.stdout.write(str(error))
        sys.exit(_REFUSED)
    sys.stdout.buffer.write(f"{photo.width} {photo.height}\n".encode() + photo.jpeg)


def _decode(content: bytes) -> Photo:
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(content), formats=_FORMATS) as found:
                if found.width * found.height > MOST_PIXELS:
                    raise InputError(f"the photo has more than {MOST_PIXELS // 1_000_000} million pixels")
                found.draft("RGB", (SIDE, SIDE))  # a JPEG is decoded no larger than needed
                upright = ImageOps.exif_transpose(found).convert("RGB")
            upright.thumbnail((SIDE, SIDE))
            output = io.BytesIO()
            upright.save(output, "JPEG", quality=QUALITY, optimize=True, exif=b"", comment=b"")
    except InputError:
        raise
    except Exception as exc:  # decoders fail in many ways on what is no picture
        raise InputError(_NO_PHOTO) from exc
    return Photo(output.getvalue(), upright.width, upright.height)
