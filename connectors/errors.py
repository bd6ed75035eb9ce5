"""What can go wrong on the plant side, sorted by what the caller can do about it.

ConnectorError
├── Unreachable      the device or folder did not answer: try again later
├── Refused          it answered that it will not, with a code: ``retryable`` says whether the code is a passing one
├── Malformed        it answered with something that cannot be read: quarantine it, go on with the rest
├── ReaderEnded      what it gave ended the process that reads it: quarantine it and never read it again
└── Misconfigured    the site file asks for something impossible: stop this source and tell a person
"""

from __future__ import annotations


class ConnectorError(Exception):
    """A source could not be read."""

    retryable = False

    def __init__(self, source: str, problem: str, remedy: str = "") -> None:
        self.source = source
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{source}: {problem}" + (f" {remedy}" if remedy else ""))


class Unreachable(ConnectorError):
    """The device, server or folder did not answer; the same call may work later."""

    retryable = True


class Refused(ConnectorError):
    """The source answered with an exception or status code instead of a value."""

    def __init__(self, source: str, problem: str, remedy: str = "", *, code: int, retryable: bool) -> None:
        self.code = code
        self.retryable = retryable
        super().__init__(source, problem, remedy)


class Malformed(ConnectorError):
    """The source answered with something that cannot be read; asking again will not help."""


class ReaderEnded(ConnectorError):
    """Reading what the source gave ended the process that reads it; the same again would end it again."""


class Misconfigured(ConnectorError):
    """The site file asks this source for something impossible; a person must change it."""
