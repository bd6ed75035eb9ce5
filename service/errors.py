"""Errors of the service, by who can do something about them.

ServiceError
├── ConfigError      settings or site file are wrong: a person must change them (exit status 2)
├── InputError       input of a person cannot be accepted, with the reason (exit status 1)
├── DomainError      an impossible argument of a calculation: a defect of ours
├── StorageError     the database refused or is away; ``retryable`` says whether waiting can help
│   └── LeaseLost    another node has the lease; nothing of the transaction was stored
├── EmbeddedError    the embedded database could not be started or stopped; ``retryable`` as above
└── IdentityError    the identity provider cannot be reached, or its token cannot be trusted
"""

from __future__ import annotations


class ServiceError(Exception):
    """Something went wrong that the service can name."""

    retryable = False


class ConfigError(ServiceError):
    """Settings or site file are wrong; a person must change them."""


class InputError(ServiceError):
    """Input of a person cannot be accepted."""


class DomainError(ServiceError, ValueError):
    """An impossible argument of a calculation."""


class StorageError(ServiceError):
    """The database refused the work or is away."""

    def __init__(self, message: str, *, retryable: bool) -> None:
        self.retryable = retryable
        super().__init__(message)


class LeaseLost(StorageError):
    """Another node has the lease."""

    def __init__(self, message: str) -> None:
        super().__init__(message, retryable=True)


class EmbeddedError(ServiceError):
    """The embedded database could not be started or stopped."""

    def __init__(self, message: str, *, retryable: bool = False) -> None:
        self.retryable = retryable
        super().__init__(message)


class IdentityError(ServiceError):
    """The identity provider cannot be reached, or its token cannot be trusted."""


def interruption_behind(error: BaseException) -> KeyboardInterrupt | None:
    """The Ctrl-C while handling which an error was raised, if there was one.

    >>> try:
    ...     try:
    ...         raise KeyboardInterrupt
    ...     finally:
    ...         raise OSError("cannot let go")
    ... except OSError as error:
    ...     interruption_behind(error)
    KeyboardInterrupt()
    """
    behind: BaseException | None = error
    while behind is not None and not isinstance(behind, KeyboardInterrupt):
        behind = behind.__context__
    return behind
