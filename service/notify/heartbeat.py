"""A sign of life to somebody outside: what falls silent with the service can only be noticed from there."""

from __future__ import annotations

import requests


def beat(url: str, timeout: float = 10.0) -> str | None:
    """Call the watcher's address; None when it heard, else why not.

    Call it only after the work it vouches for is done. That the watcher is away must not stop anything here.
    """
    try:
        with requests.get(url, timeout=timeout, allow_redirects=False, stream=True) as response:
            return None if 200 <= response.status_code < 300 else f"the watcher answered {response.status_code}"
    except requests.exceptions.RequestException as error:
        # The address itself is the secret that lets one vouch: never repeat it.
        return type(error).__name__
