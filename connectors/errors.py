"""Errors of connectors, by what the caller can do about them.

ConnectorError
├── Unreachable      the device or folder did not answer: retry later
├── Refused          it answered with an error code: ``retryable`` says whether the code is transient
├── Malformed        the answer cannot be read: quarantine it, go on with the rest
├── ReaderEnded      reading it ended the reading process: quarantine it and never read it again
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
    """Reading a file ended the reading process; reading it again would too."""


class Misconfigured(ConnectorError):
    """The site file asks this source for something impossible; a person must change it."""
