"""Photos are written anew: nothing but the picture is kept, and what is no picture goes no further."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from service.confinement import landlock_version
from service.errors import InputError
from service.photo import _CHILD, LARGEST, SIDE, _decode, normalize_photo
from tests.support.photographs import endless_photo, photo


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_where_and_by_what_it_was_taken_is_left_behind(form: str) -> None:
    sent = photo(form=form)
    assert b"Invented Phones" in sent
    kept = normalize_photo(sent)
    assert b"Invented Phones" not in kept.jpeg
    with Image.open(io.BytesIO(kept.jpeg)) as found:
        assert found.format == "JPEG"
        assert dict(found.getexif()) == {}
        assert not {"exif", "comment", "xmp", "icc_profile"} & set(found.info)
        assert found.size == (kept.width, kept.height) == (120, 80)


def test_it_stands_upright() -> None:
    """Orientation 6 of the Exif standard: the camera was held a quarter turn off; left becomes top."""
    kept = normalize_photo(photo(orientation=6))
    assert (kept.width, kept.height) == (80, 120)
    with Image.open(io.BytesIO(kept.jpeg)) as found:
        dark, light = found.convert("L").getpixel((40, 5)), found.convert("L").getpixel((40, 115))
    assert isinstance(dark, int)
    assert isinstance(light, int)
    assert dark < 40 < 215 < light


@pytest.mark.parametrize(("width", "height"), [(3000, 1000), (1000, 3000), (SIDE, SIDE)])
def test_it_is_no_larger_than_is_useful(width: int, height: int) -> None:
    kept = normalize_photo(photo(width, height))
    assert max(kept.width, kept.height) == SIDE
    assert kept.width / kept.height == pytest.approx(width / height, rel=0.01)


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes that says it is so many pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\x00" * 100)) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(100_000, 100_000), (2**31 - 1, 2**31 - 1), (20_000, 2_001)])
def test_what_unfolds_to_far_more_than_it_seems_is_refused(width: int, height: int) -> None:
    with pytest.raises(InputError):
        normalize_photo(bomb(width, height))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"GIF89a",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.7",
        bomb(50, 50),  # its rows are missing
        photo()[: len(photo()) // 2],
        b"\x00" * (LARGEST + 1),
    ],
    ids=["nothing", "gif", "svg", "pdf", "rows missing", "cut off", "too large"],
)
def test_what_is_no_photo_is_refused_in_words(content: bytes) -> None:
    with pytest.raises(InputError, match="photo"):
        normalize_photo(content)


def test_a_photo_that_never_comes_to_an_end_is_refused_and_holds_nothing_up() -> None:
    sent = endless_photo(2000)
    assert len(sent) < LARGEST
    with pytest.raises(InputError, match="takes too much to unfold"):
        normalize_photo(sent, processor_s=1)
    assert normalize_photo(photo()).width == 120


@pytest.mark.skipif(not landlock_version(), reason="this kernel has no Landlock")
def test_the_child_opens_no_other_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A decoder that is taken over finds nothing: here it is one that reads the key into the answer."""
    secret = tmp_path / "secret.key"
    secret.write_text("the key that signs links")
    for folder in (tmp_path, *tmp_path.parents[:-1]):
        if folder.stat().st_uid == os.geteuid():
            folder.chmod(0o755)
    evil = f"import service.photo as it; it._decode = lambda _: it.Photo(open({str(secret)!r}, 'rb').read(), 1, 1); "
    monkeypatch.setattr(
        "service.photo._CHILD", _CHILD.replace("from service.photo import child; ", evil + "child = it.child; ")
    )
    with pytest.raises(InputError):
        normalize_photo(photo())


def test_the_child_knows_no_secret(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[dict[str, str]] = []

    def noted(*_: object, env: dict[str, str], **__: object) -> subprocess.CompletedProcess[bytes]:
        seen.append(env)
        return subprocess.CompletedProcess([], 0, b"1 1\n", b"")

    monkeypatch.setenv("UNDERWEIR_SECRET_KEY", "do not tell")
    monkeypatch.setattr(subprocess, "run", noted)
    normalize_photo(photo())
    assert seen == [{}]


JPEG, PNG = photo(40, 30), photo(40, 30, "PNG")


@settings(max_examples=60)
@given(
    st.sampled_from([JPEG, PNG]), st.lists(st.tuples(st.integers(0, 600), st.integers(0, 255)), min_size=1, max_size=8)
)
def test_a_damaged_photo_is_kept_or_refused_and_nothing_else(sent: bytes, damage: list[tuple[int, int]]) -> None:
    content = bytearray(sent)
    for place, byte in damage:
        content[place % len(content)] = byte
    try:
        kept = _decode(bytes(content))  # in this process: the way into the child is the others' subject
    except InputError:
        return
    assert kept.jpeg.startswith(b"\xff\xd8\xff")
    assert max(kept.width, kept.height) <= SIDE
