"""Parses text message replies: takes an alarm, declines it, asks for status, or reports a core. Pure.

Only a clear yes takes an alarm: its code alone, or OK and the code, and nothing beside. Phones answer by themselves, and
quote what they answer; a code inside other words is no yes. A no is taken more freely, as all it does is call the next
person sooner; whether it is surely a person's and about one alarm shows in its code.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.alarms.machine import CODE_ALPHABET, CODE_LENGTH
from service.domain.plant.units import to_si

#: The characters of an occurrence's code (:func:`service.alarms.machine.occurrence_code`), in small letters.
_CODE = f"[{CODE_ALPHABET.lower()}]{{{CODE_LENGTH}}}"
#: A phone ends a sentence with a full stop, and begins it with a capital; a question mark asks, and takes nothing.
_TAKES = re.compile(rf"(?:ok[ ,.:!]+)?({_CODE})[ .!]*")
_YES = frozenset({"yes", "y", "yep", "ja", "si", "sí", "oui"})
_NO = frozenset({"no", "n", "nope", "nah", "nein", "non"})
_CANNOT = r"(?:cannot|can't|cant|can not|unable to|not able to|won't)"
_NO_WORD = rf"(?:no|nope|nah|nein|non|pass|not me|{_CANNOT})"
#: A no that names the code, as a person writes it: "no K7QDHM", "can't take K7QDHM, …", "K7QDHM pass".
_NO_TO_CODE = re.compile(
    rf"(?:sorry[ ,.]+)?(?:i )?{_NO_WORD}(?: take| do| on| to)?[ ,.:!-]+({_CODE})(?!\w)"
    rf"|({_CODE})[ ,.:!-]+(?:sorry[ ,.]+)?(?:i )?{_NO_WORD}(?!\w)"
)
#: Begins with a no, or says somewhere that they cannot.
_SAYS_NO = re.compile(
    rf"(?:sorry[ ,.]+)?(?:i )?(?:no|nope|nah|nein|non|pass|not (?:me|available|on duty|on call|coming))(?!\w)"
    rf"|.*(?<!\w){_CANNOT}(?!\w)"
)
#: Words that make a no doubtful: nothing is a no that may be a yes.
_DOUBTFUL = re.compile(
    r"\bno (?:problem|probs?|worries|doubt|issue|need)\b|\bcan't wait\b"
    r"|\b(?:on my way|omw|i have it|i've got it|got it|i'll take|taking it|going there|i'm going)\b"
)
#: A core is told in few words; a message as long as an alarm of ours quotes one.
_CORE_WORDS = 12
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
    """They have the alarm of that code."""

    code: str


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
    """They cannot take the alarm of that code; without one, no to whatever they were asked or told last.

    ``bare``: nothing but the word no, which can answer a question as well as an alarm.
    """

    code: str | None = None
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Unclear:
    """Nobody can tell; they are told what can be said."""


Reply = TakesIt | AsksStatus | TookCore | Confirms | Declines | Unclear


def read_reply(text: str) -> Reply:
    """What a reply means.

    >>> read_reply("k7qdhm"), read_reply("OK K7QDHM."), read_reply("K7QDHM on my way")
    (TakesIt(code='K7QDHM'), TakesIt(code='K7QDHM'), Unclear())
    >>> read_reply("can't take K7QDHM, in hospital"), read_reply("?")
    (Declines(code='K7QDHM', bare=False), AsksStatus())
    >>> read_reply("took a core: 2.5 ft")
    TookCore(number=2.5, unit='ft', thickness=0.762, tank='')
    """
    said = " ".join(text.replace("\u2019", "'").split()).casefold()
    words = re.findall(r"[^\s:;,!]+", said)
    if not words:
        return Unclear()
    if said in {"?", "??", "status", "status?", "status please"}:
        return AsksStatus()
    if (taken := _TAKES.fullmatch(said)) is not None:
        return TakesIt(taken[1].upper())
    bare = said.rstrip(" .!")
    if bare in _YES:
        return Confirms()
    if bare in _NO:
        return Declines(bare=True)
    if _DOUBTFUL.search(said):
        return Unclear()
    if (named := _NO_TO_CODE.match(said)) is not None:
        return Declines((named[1] or named[2]).upper())
    if _SAYS_NO.match(said):
        return Declines()
    of_core = len(words) <= _CORE_WORDS and ("core" in words or "cored" in words)
    if of_core or _LENGTH.fullmatch(said) or _FEET_INCHES.fullmatch(said):
        return _core(said) or Unclear()
    return Unclear()


def _core(lowered: str) -> TookCore | None:
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
