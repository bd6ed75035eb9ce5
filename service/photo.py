"""A photo, decoded and written anew in a process of its own: what is no photo, or never comes to an end, harms nobody.

Image decoders are large, and a file can be made to keep one busy for minutes or to take all memory. So strangers' photos are
unfolded by a child process that has little memory and little time, and no rights (:mod:`service.confinement`).
What a phone writes into a photo (where it was taken, by which device, when, a small copy) is left behind.
"""

from __future__ import annotations

import io
import subprocess
import sys
import threading
import warnings
from dataclasses import dataclass

from service.confinement import confine, confine_one
from service.errors import InputError, StorageError

#: Most bytes taken in, and most pixels unfolded.
LARGEST = 6 * 1024 * 1024
MOST_PIXELS = 40_000_000
#: Longest side kept [pixel], and how finely: about 200 kB, enough to see floc and scum by.
SIDE, QUALITY = 1280, 78
_FORMATS = ("JPEG", "PNG", "WEBP")
#: What the child may use: memory [byte], processor [s], time [s]. 40 million pixels of four bytes, twice, and the decoder.
MEMORY, PROCESSOR_S, WALL_S = 768 << 20, 10, 60.0
#: So many at once, and how long another waits for its turn [s]; a phone keeps its photo and sends it again.
_TURNS = threading.BoundedSemaphore(2)
TURN_WAIT_S = 5.0

_NO_PHOTO = "this is no photo that can be read: JPEG, PNG and WebP can"


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo as it is kept. [pixel]"""

    jpeg: bytes
    width: int
    height: int


def plain_photo(content: bytes, *, processor_s: int = PROCESSOR_S) -> Photo:
    """The picture alone, upright, no larger than is useful.

    Parameters
    ----------
    content : a JPEG, PNG or WebP file.
    processor_s : what unfolding it may take. [s of processor time]

    Raises
    ------
    InputError
        when it is too large, takes too much to unfold, or is no picture.
    StorageError
        when others are being unfolded; worth another try.
    """
    if len(content) > LARGEST:
        raise InputError(f"the photo is larger than {LARGEST // 1024 // 1024} MB: take one with fewer pixels")
    if not _TURNS.acquire(timeout=TURN_WAIT_S):
        raise StorageError("Other photos are being taken in; try again in a moment.", retryable=True)
    try:
        done = subprocess.run(
            [sys.executable, "-I", "-c", _CHILD, str(processor_s), *sys.path],
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
#: -I keeps the child from taking code out of its folder or environment; where ours lies it is told.
_CHILD = "import sys; sys.path[:] = sys.argv[2:]; from service.photo import child; child(int(sys.argv[1]))"


def child(processor_s: int) -> None:
    """What the child process does: gives up all it does not need, unfolds what it is given, and hands the picture back."""
    # What is loaded late would not be found later on.
    from PIL import ImageOps, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

    del ImageOps, JpegImagePlugin, PngImagePlugin, WebPImagePlugin
    confine(memory=MEMORY)
    confine_one(processor_s)
    try:
        photo = _unfolded(sys.stdin.buffer.read(LARGEST + 1))
    except InputError as error:
        sys.stdout.write(str(error))
        sys.exit(_REFUSED)
    sys.stdout.buffer.write(f"{photo.width} {photo.height}\n".encode() + photo.jpeg)


def _unfolded(content: bytes) -> Photo:
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
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
        raise InputError(_NO_PHOTO) from exc
    return Photo(held.getvalue(), upright.width, upright.height)
