"""Checks the strength of a new password.

NIST SP 800-63B-4, section 3.1.1.2: length counts and composition rules do not; a password is compared with those many
people use, with words of the service and with the name it belongs to.
"""

from __future__ import annotations

import math
import re
import threading
from functools import cache
from importlib.metadata import version

from service.errors import InputError

#: [characters] Spaces in a row count as one (OWASP ASVS 4.0.3, 2.1.1 and 2.1.2).
SHORTEST, LONGEST = 12, 128
#: Fewer guesses than this to get there, by the estimate of zxcvbn, and a password is refused: what its authors call
#: "somewhat guessable" or worse (D. L. Wheeler, USENIX Security 2016).
FEWEST_GUESSES = 1e8
#: What somebody who knows this service, but not the person, would try; the library's lists hold everyday words only.
OF_THE_SERVICE = ("underweir", "clarifier", "sludge", "blanket", "weir", "wastewater", "sewage", "treatment")
#: As many characters as the estimate looks at: its work grows faster than the length, and these are plenty.
_LOOKED_AT = 72
_SPACES = re.compile(" {2,}")
#: The library keeps the words a call brings in a table all calls share.
_estimating = threading.Lock()


@cache
def rules() -> str:
    """Names the lists and limits that passwords are held against here; a password that met these needs no other look.

    >>> rules().startswith("zxcvbn ")
    True
    """
    return f"zxcvbn {version('zxcvbn')}, {SHORTEST} characters, {FEWEST_GUESSES:.0e} guesses"


def checked(password: str, name: str, label: str = "") -> str:
    """The password, if it is one to be had.

    Parameters
    ----------
    password
        as typed
    name, label
        what its owner signs in with, and how others read them

    Raises
    ------
    InputError
        it is too short or too long, little more than the name, or one that guessers try early; says what would be better.

    Notes
    -----
    Nothing is asked over the network: the lists (30,000 passwords from published breaches, names, words) come with the
    package zxcvbn. What was built from them by a capital, a year or an exclamation mark counts as found.

    >>> checked("six heron marsh lantern", "night")
    'six heron marsh lantern'
    """
    if len(_SPACES.sub(" ", password)) < SHORTEST:
        raise InputError(f"a password has at least {SHORTEST} characters; four words make a good one")
    if len(password) > LONGEST:
        raise InputError(f"a password has at most {LONGEST} characters")
    if name and name in password.lower() and len(password) - len(name) < 8:
        raise InputError("the password is little more than the name; four other words make a good one")
    if len(set(password)) < 5:
        raise InputError("the password repeats too few characters; four words make a good one")
    if _guesses(password, (name, *label.split(), *OF_THE_SERVICE)) < FEWEST_GUESSES:
        raise InputError(
            "this password is one that many people use, or close to one, and is guessed first; "
            "four words that have nothing to do with each other make a good one"
        )
    return password


def strength(password: str, name: str, label: str = "") -> float:
    """How many guesses a password stands, by the estimate of zxcvbn, as a decimal logarithm.

    >>> 10 < strength("six heron marsh lantern", "night") < 30
    True
    """
    return math.log10(_guesses(password, (name, *label.split(), *OF_THE_SERVICE))) if password else 0.0


def _guesses(password: str, words: tuple[str, ...]) -> float:
    from zxcvbn import zxcvbn  # its lists take a moment to load: only where a password is set

    with _estimating:
        return float(zxcvbn(password[:_LOOKED_AT], user_inputs=[word for word in words if word])["guesses"])
