"""Stores and removes the photo of a hand core."""

from __future__ import annotations

import hashlib
from datetime import datetime
from uuid import UUID

from sqlalchemy import Engine

from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.photo import normalize_photo
from service.storage.cores.cores import find_core
from service.storage.cores.photos import PhotoRecord, add_photo, photo_of, remove_photo
from service.storage.database.session import transaction


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
        picture = normalize_photo(content)
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
