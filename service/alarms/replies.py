"""What somebody means who answers an alarm by SMS, with one thumb, at night. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.domain.units import to_si

#: The characters of an occurrence's code; the look-alikes people type instead are read as what they meant.
_CODE = re.compile(r"[BCDFGHJKMNPQRTVWXZ346789]{4}")
_TAKES = frozenset({"ok", "okay", "ack", "acknowledge", "got", "have", "taken", "mine", "going"})
_YES = frozenset({"yes", "y", "yep", "ja", "si", "oui"})
_NO = frozenset({"no", "n", "nope", "cancel", "stop"})
_FILLER = frozenset(
    {"i", "it", "a", "the", "took", "take", "core", "cored", "of", "at", "is", "was", "have", "hand", "in"}
)
_UNIT = {
    "ft": "ft",
    "feet": "ft",
    "foot": "ft",
    "'": "ft",
    "in": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "m": "m",
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "cm": "cm",
}
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_UNITS = "|".join(sorted((re.escape(unit) for unit in _UNIT), key=len, reverse=True))
_FEET_INCHES = re.compile(rf"{_NUMBER}\s*(?:ft|feet|foot|')\s*{_NUMBER}\s*(?:in\b|inch(?:es)?\b|\"|(?=\s|$))")
_LENGTH = re.compile(rf"{_NUMBER}\s*({_UNITS})?(?![\w])")


@dataclass(frozen=True, slots=True)
class TakesIt:
    """They have it. Without a code it is the one alarm they were told of that stands unanswered."""

    code: str | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class AsksStatus:
    """They want to know how things stand."""


@dataclass(frozen=True, slots=True)
class TookCore:
    """They took a hand core. ``thickness`` is in [m] if they named a unit, else the bare number."""

    number: float
    unit: str | None
    thickness: float | None
    tank: str = ""  #: words that may name a tank


@dataclass(frozen=True, slots=True)
class Confirms:
    """Yes, to what they were asked."""


@dataclass(frozen=True, slots=True)
class Declines:
    """No, to what they were asked."""


@dataclass(frozen=True, slots=True)
class Unclear:
    """Nobody can tell; they are told what can be said."""


Reply = TakesIt | AsksStatus | TookCore | Confirms | Declines | Unclear


def read_reply(text: str) -> Reply:
    """What a reply means.

    >>> read_reply("k7qd on my way")
    TakesIt(code='K7QD', note='on my way')
    >>> read_reply("OK"), read_reply("?")
    (TakesIt(code=None, note=''), AsksStatus())
    >>> read_reply("took a core: 2.5 ft")
    TookCore(number=2.5, unit='ft', thickness=0.762, tank='')
    """
    said = " ".join(text.split())
    words = re.findall(r"[^\s:;,!]+", said.casefold())
    if not words:
        return Unclear()
    if said in {"?", "??"} or words[0] in {"status", "?"}:
        return AsksStatus()
    if words[0].rstrip(".") in _YES and len(words) <= 2:
        return Confirms()
    if words[0].rstrip(".") in _NO and len(words) <= 2:
        return Declines()
    core = _core(said) if "core" in words or "cored" in words else None
    if core is not None:
        return core
    taken = _taken(said, words)
    if taken is not None:
        return taken
    if _LENGTH.fullmatch(said.casefold()) or _FEET_INCHES.fullmatch(said.casefold()):
        return _core(said) or Unclear()
    return Unclear()


def _taken(said: str, words: list[str]) -> Reply | None:
    """An answer that names a code, or says they have it in few words."""
    rest = said.split(" ")
    for place, word in enumerate(rest[:4]):
        bare = word.strip(".:;,!#()")
        if _CODE.fullmatch(bare.upper()) and (any(c.isdigit() for c in bare) or bare.isupper() or len(rest) == 1):
            note = " ".join(rest[place + 1 :]).strip(" .:;,-")
            return TakesIt(bare.upper(), note)
    if words[0] in _TAKES or (words[0] == "i" and len(words) > 1 and words[1] in _TAKES):
        note = " ".join(word for word in rest if word.casefold().strip(".!,") not in _TAKES | {"i", "it"})
        return TakesIt(None, note.strip(" .:;,-"))
    return None


def _core(said: str) -> TookCore | None:
    lowered = said.casefold()
    both = _FEET_INCHES.search(lowered)
    if both is not None:
        feet, inches = _value(both[1]), _value(both[2])
        thickness = to_si(feet, "ft") + to_si(inches, "in")
        return TookCore(round(feet + inches / 12.0, 4), "ft", thickness, _tank_words(lowered, both))
    found = list(_LENGTH.finditer(lowered))
    # The length is the number with a unit, else the last number: "core east 2: 3.1".
    named = [match for match in found if match[2]]
    chosen = named[-1] if named else (found[-1] if found else None)
    if chosen is None:
        return None
    number = _value(chosen[1])
    unit = _UNIT[chosen[2]] if chosen[2] else None
    metres = None if unit is None else to_si(number, unit)
    return TookCore(number, unit, metres, _tank_words(lowered, chosen))


def _tank_words(lowered: str, length: re.Match[str]) -> str:
    rest = lowered[: length.start()] + " " + lowered[length.end() :]
    words = [word for word in re.findall(r"[\w.-]+", rest) if word.strip(".-") not in _FILLER]
    return " ".join(word.strip(".-") for word in words if word.strip(".-"))


def _value(text: str) -> float:
    return float(text.replace(",", "."))
