"""Translates pydantic's errors of a section to problems and remedies for people, and to the most likely repair."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from service.site.reading.finding import KeyPath
from service.site.sections.alarm import AlarmSection
from service.site.sections.connector import SECTION_OF_KIND
from service.site.sections.people import ContactSection
from service.site.sections.plant import SignalSection, SiteSection, TankSection
from service.site.sections.quantity import closest_word


@dataclass(frozen=True)
class RenameKey:
    """Repair: another key was meant."""

    old: str
    new: str


@dataclass(frozen=True)
class SetValue:
    """Repair: another value was meant."""

    key: str
    value: object


@dataclass(frozen=True)
class RemoveKey:
    """Repair: read on without the key, as its value is unknown; the field *meant* is not to be called missing."""

    key: str
    meant: str | None = None


@dataclass(frozen=True)
class FieldError:
    """One error inside a section, explained."""

    location: KeyPath
    problem: str
    remedy: str
    repair: RenameKey | SetValue | RemoveKey


_HEADINGS: dict[str, tuple[type[BaseModel], ...]] = {
    "[site]": (SiteSection,),
    "[[tank]]": (TankSection,),
    "[[signal]]": (SignalSection,),
    "[[connector]]": tuple(SECTION_OF_KIND.values()),
    "[[alarm]]": (AlarmSection,),
    "[[contact]]": (ContactSection,),
}

#: Other words people use for a key.
_OTHER_KEYS = {
    "id": ("key", "tag"),
    "name": ("label", "key", "tag"),
    "title": ("label",),
    "depth": ("side_water_depth",),
    "swd": ("side_water_depth",),
    "slope": ("floor_slope",),
    "dia": ("diameter",),
    "radius": ("diameter",),
    "timezone": ("time_zone",),
    "tz": ("time_zone",),
    "type": ("kind",),
    "mail": ("email",),
    "e_mail": ("email",),
    "mobile": ("phone",),
    "telephone": ("phone",),
    "min": ("low",),
    "max": ("high",),
    "minimum": ("low",),
    "maximum": ("high",),
    "path": ("folder",),
    "directory": ("folder",),
    "units": ("unit",),
    "delay": ("on_delay",),
    "hysteresis": ("deadband",),
    "dead_band": ("deadband",),
    "tanks": ("tank",),
    "tank": ("tanks",),
    "limit": ("clearance",),
    "interval": ("expected_interval",),
    "datum": ("zero_height",),
    "offset": ("zero_height",),
}


def explain(error: ErrorDetails, model: type[BaseModel], raw: Mapping[str, Any]) -> FieldError:
    """Explain one error of the model to whoever wrote the section *raw*."""
    location: KeyPath = tuple(error["loc"])
    key = str(location[0])
    name = str(location[-1])
    value = error.get("input")
    context = error.get("ctx", {})
    owner = _owner(model, location[:-1])
    repaired: SetValue | RemoveKey
    match error["type"]:
        case "missing":
            example = _example(owner, name)
            return FieldError(
                location, "is missing", f"write {name} = {example}" if example else "write it", RemoveKey(key)
            )
        case "extra_forbidden":
            return _unknown_key(location, owner, raw)
        case "enum" | "literal_error":
            options = tuple(re.findall(r"'([^']*)'", str(context.get("expected", ""))))
            near = closest_word(str(value), options) if isinstance(value, str) else None
            choice = f'"{near}"' if near else "one of " + ", ".join(f'"{option}"' for option in options)
            repair = SetValue(key, near) if near and len(location) == 1 else RemoveKey(key)
            return FieldError(location, f"{_shown(value)} is not known here", f"write {choice}", repair)
        case "wrong":
            meant = context.get("near")
            repaired = SetValue(key, meant) if meant and len(location) == 1 else RemoveKey(key)
            return FieldError(location, str(context["problem"]), str(context["remedy"]), repaired)
        case "string_type" if isinstance(value, int | float) and not isinstance(value, bool):
            repaired = SetValue(key, str(value)) if len(location) == 1 else RemoveKey(key)
            return FieldError(
                location, f"{value} is a number where text is needed", f'write "{value}" in quotes', repaired
            )
        case "tuple_type":
            listed = SetValue(key, [value]) if len(location) == 1 else RemoveKey(key)
            return FieldError(
                location, f"{_shown(value)} is not a list", f"write [{_shown(value)}] in brackets", listed
            )
        case "string_pattern_mismatch":
            plain = re.sub(r"[^A-Za-z0-9_.\-]+", "-", str(value)).strip("-.")
            remedy = f'write "{plain}"' if plain else "begin with a letter or digit"
            problem = f"{_shown(value)} has signs other than letters, digits, - _ ."
            return FieldError(location, problem, f"{remedy}; a label may hold anything", RemoveKey(key))
        case "string_too_short":
            return FieldError(location, "is empty", "write something, or remove the line", RemoveKey(key))
        case "string_too_long":
            return FieldError(
                location, "is too long", f"write at most {context.get('max_length')} characters", RemoveKey(key)
            )
    problem = f"{_shown(value)} {_NOT.get(error['type'], 'cannot be used here')}"
    example = _example(owner, name)
    remedy = f"write for example {example}" if example else error["msg"][:1].lower() + error["msg"][1:]
    if "greater" in error["type"] or "less" in error["type"]:
        remedy = error["msg"].replace("Input should be", "write a number")
    return FieldError(location, problem, remedy, RemoveKey(key))


_NOT = {
    "string_type": "is not text",
    "int_type": "is not a whole number",
    "int_parsing": "is not a whole number",
    "int_from_float": "is not a whole number",
    "float_type": "is not a number",
    "float_parsing": "is not a number",
    "bool_type": "is not true or false",
    "bool_parsing": "is not true or false",
    "model_type": "is not a table of keys",
    "greater_than": "is too small",
    "greater_than_equal": "is too small",
    "less_than": "is too large",
    "less_than_equal": "is too large",
    "finite_number": "is not a number",
}


def _unknown_key(location: KeyPath, owner: type[BaseModel] | None, raw: Mapping[str, Any]) -> FieldError:
    name = str(location[-1])
    known = tuple(owner.model_fields) if owner else ()
    free = tuple(k for k in known if k not in raw) if len(location) == 1 else known
    folded = name.casefold().replace("-", "_").replace(" ", "_")
    aliases = [k for k in _OTHER_KEYS.get(folded, ()) if k in free]
    near = aliases[0] if aliases else closest_word(name, free)
    if near is not None:
        if folded == "radius":
            remedy = "write the diameter, twice the radius"
            return FieldError(location, "no such key is known here", remedy, RemoveKey(name, meant=near))
        repair = RenameKey(name, near) if len(location) == 1 else RemoveKey(str(location[0]))
        return FieldError(location, "no such key is known here", f"did you mean {near}?", repair)
    homes = [h for h, models in _HEADINGS.items() if any(name in m.model_fields for m in models)]
    if homes and len(location) == 1:
        remedy = f"it belongs under {' or '.join(homes)}; keys belong to the heading above them"
        return FieldError(location, "no such key is known here", remedy, RemoveKey(name))
    return FieldError(
        location, "no such key is known here", f"known are {', '.join(known)}", RemoveKey(str(location[0]))
    )


def _owner(model: type[BaseModel], location: KeyPath) -> type[BaseModel] | None:
    """The model that has the field at a location."""
    owner: type[BaseModel] | None = model
    for part in location:
        if owner is None:
            return None
        if isinstance(part, int):
            continue
        info: FieldInfo | None = owner.model_fields.get(part)
        owner = _model_in(info.annotation) if info else None
    return owner


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part))), None)


def _example(owner: type[BaseModel] | None, name: str) -> str | None:
    info = owner.model_fields.get(name) if owner else None
    return str(info.examples[0]) if info and info.examples else None


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    return str(value)
