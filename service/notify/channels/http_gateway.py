"""Sends SMS or other messages through an HTTP gateway described by the site: method, URL, headers, body, success rule."""

from __future__ import annotations

import json
import re
import socket
import ssl
import string
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import quote, urlsplit

import requests
from requests.adapters import HTTPAdapter

from service.calls.retry import Failure
from service.errors import ConfigError
from service.notify.channels import gsm7
from service.notify.channels.base import Message, Receipt

#: Longest response read.
_LONGEST_ANSWER = 64 * 1024
_E164 = re.compile(r"\+[1-9]\d{1,14}")

#: Template variables; secrets come on top.
FIELDS = ("to", "to_digits", "text", "subject", "key", "created_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpGateway:
    """The request one gateway expects.

    Templates name values as ``${to}``, ``${to_digits}`` (the number without its plus), ``${text}``, ``${subject}``,
    ``${key}``, ``${created_at}``, and every secret by its own name; each value is escaped as its place demands.
    """

    channel: str  #: "sms", "webhook"
    url: str
    method: str = "POST"
    headers: Mapping[str, str] = field(default_factory=dict)
    body: str = ""
    content_type: str = "application/json"
    #: The answer's text must contain this for the message to count as taken; None asks for a 2xx status only.
    success: str | None = None
    #: An answer with this says that the number or message will never be taken.
    refused: str | None = None
    #: Where in the answer the gateway's own id of the message stands: a pattern with one group.
    message_id: str | None = None
    secrets: Mapping[str, str] = field(default_factory=dict, repr=False)
    timeout: float = 15.0  #: for the whole exchange [s]
    ca_file: str | None = None

    def __post_init__(self) -> None:
        known = {*FIELDS, *self.secrets}
        for place, template in (("url", self.url), ("body", self.body), *self.headers.items()):
            if not string.Template(template).is_valid():
                raise ConfigError(
                    f"gateway {self.channel}: {place} has a $ that names no value; write $$ for a plain one"
                )
            if unknown := ", ".join(sorted({*string.Template(template).get_identifiers()} - known)):
                raise ConfigError(
                    f"gateway {self.channel}: {place} asks for {unknown}; known: {', '.join(sorted(known))}"
                )
        for place, pattern in (("success", self.success), ("refused", self.refused), ("message_id", self.message_id)):
            try:
                groups = re.compile(pattern or "").groups
            except re.error as error:
                raise ConfigError(f"gateway {self.channel}: {place} is no regular expression: {error}") from error
            if place == "message_id" and pattern is not None and groups != 1:
                raise ConfigError(f"gateway {self.channel}: message_id needs one group in parentheses")


class HttpNotifier:
    """Sends through one gateway, keeping the connection for a batch."""

    def __init__(
        self,
        gateway: HttpGateway,
        *,
        adapter: Callable[[], HTTPAdapter] | None = None,
        sign: Callable[[bytes, datetime], Mapping[str, str]] | None = None,
    ) -> None:
        """*adapter* replaces the usual transport; *sign* gives headers for the body as it is sent."""
        self.channel = gateway.channel
        self._gateway = gateway
        self._adapter = adapter
        self._sign = sign
        self._session: requests.Session | None = None

    def send(self, message: Message, now: datetime) -> Receipt:
        """Hand one message over."""
        gateway = self._gateway
        if gateway.channel == "sms" and not _E164.fullmatch(message.recipient):
            return Receipt(failure=Failure.UNUSABLE_ADDRESS, answer=f"{message.recipient!r} is no E.164 number")
        values = _values(message, gateway)
        body = _filled(gateway.body, values, _escape_for(gateway.content_type))
        headers = {name: _filled(text, values, _one_line) for name, text in gateway.headers.items()}
        if body:
            headers.setdefault("Content-Type", gateway.content_type)
        if self._sign is not None:
            headers |= self._sign(body.encode(), now)
        deadline = time.monotonic() + gateway.timeout
        try:
            with self._connected().request(
                gateway.method,
                _filled(gateway.url, values, _escape_url),
                data=body.encode() if body else None,
                headers=headers,
                timeout=(min(gateway.timeout, 10.0), gateway.timeout),
                allow_redirects=False,
                stream=True,
                verify=gateway.ca_file or True,
            ) as response:
                answer = _read(response, deadline)
                return self._classified(response, answer, now)
        except requests.exceptions.SSLError as error:
            return self._failed(Failure.TLS, error)
        except requests.exceptions.ConnectTimeout as error:
            return self._failed(Failure.TIMED_OUT, error)
        except (requests.exceptions.Timeout, _TooSlow) as error:
            # The request is out; whether it was accepted is unknown.
            return self._failed(Failure.BROKE_OFF, error)
        except requests.exceptions.ConnectionError as error:
            begun = "RemoteDisconnected" in repr(error) or "ConnectionReset" in repr(error)
            return self._failed(Failure.BROKE_OFF if begun else Failure.UNREACHABLE, error)
        except (requests.exceptions.RequestException, UnicodeError, ValueError) as error:
            return self._failed(Failure.GARBAGE, error)

    def greet(self) -> Receipt:
        """Test the connection to the gateway or its proxy, with TLS where used; sends no request."""
        url = _filled(self._gateway.url, {**dict.fromkeys(FIELDS, ""), **self._gateway.secrets}, _escape_url)
        proxy = requests.utils.select_proxy(url, requests.utils.get_environ_proxies(url))
        to = urlsplit(proxy or url)
        host, port = to.hostname or "", to.port or (443 if to.scheme == "https" else 80)
        try:
            with socket.create_connection((host, port), timeout=10) as plain:
                if to.scheme == "https":
                    context = ssl.create_default_context(cafile=self._gateway.ca_file)
                    with context.wrap_socket(plain, server_hostname=host):
                        pass
        except ssl.SSLError as error:
            return Receipt(failure=Failure.TLS, answer=f"{host}:{port}: {error}")
        except TimeoutError:
            return Receipt(failure=Failure.TIMED_OUT, answer=f"{host}:{port} does not answer")
        except OSError as error:
            return Receipt(failure=Failure.UNREACHABLE, answer=f"{host}:{port}: {error}")
        return Receipt(answer=f"{'the proxy ' if proxy else ''}{host}:{port} takes connections")

    def close(self) -> None:
        """Release the connection."""
        session, self._session = self._session, None
        if session is not None:
            session.close()

    def _connected(self) -> requests.Session:
        if self._session is None:
            self._session = requests.Session()
            self._session.trust_env = self._adapter is None  # a plant's proxy settings; they would hide who is asked
            if self._adapter is not None:
                self._session.mount("http://", self._adapter())
                self._session.mount("https://", self._adapter())
        return self._session

    def _classified(self, response: requests.Response, answer: str, now: datetime) -> Receipt:
        status = response.status_code
        said = self._redacted(f"{status} {' '.join(answer.split())}")
        gateway = self._gateway
        if gateway.refused is not None and re.search(gateway.refused, answer):
            return Receipt(failure=Failure.RECIPIENT_REFUSED, answer=said)
        if 200 <= status < 300:
            if gateway.success is not None and not re.search(gateway.success, answer):
                return Receipt(failure=Failure.GARBAGE, answer=said)
            found = re.search(gateway.message_id, answer) if gateway.message_id is not None else None
            if found is None:
                return Receipt(answer=said)
            return Receipt(answer=f"id {found[1]}", message_id=found[1])
        retry_after = _retry_after(response.headers.get("Retry-After"), now)
        if status == 429:
            return Receipt(failure=Failure.RATE_LIMITED, answer=said, retry_after=retry_after)
        if status in (401, 403, 407):
            return Receipt(failure=Failure.SIGN_IN, answer=said)
        if status in (400, 413, 422):
            return Receipt(failure=Failure.REFUSED, answer=said)
        if status == 408 or status >= 500:
            return Receipt(failure=Failure.TEMPORARY, answer=said, retry_after=retry_after)
        # A wrong address or a redirect: the site file has to be corrected; retried until then.
        return Receipt(failure=Failure.GARBAGE, answer=said)

    def _failed(self, failure: Failure, error: Exception) -> Receipt:
        self.close()
        return Receipt(failure=failure, answer=self._redacted(f"{type(error).__name__}: {error}"))

    def _redacted(self, text: str) -> str:
        """Text without secrets: gateways and libraries often repeat the URL with the key in it."""
        for secret in sorted(self._gateway.secrets.values(), key=len, reverse=True):
            if secret:
                text = text.replace(secret, "***").replace(quote(secret, safe=""), "***")
        return text


class _TooSlow(Exception):
    """The answer took longer than the whole exchange may."""


def _read(response: requests.Response, deadline: float) -> str:
    """The answer, as far as it comes within the time and is of a sensible length."""
    read = bytearray()
    for chunk in response.iter_content(chunk_size=256):
        read += chunk
        if time.monotonic() > deadline:
            raise _TooSlow("the answer did not end in time")
        if len(read) > _LONGEST_ANSWER:
            break
    return bytes(read).decode(response.encoding or "utf-8", "replace")


def _values(message: Message, gateway: HttpGateway) -> dict[str, str]:
    text = message.text
    if gateway.channel == "sms":
        text = gsm7.shorten(gsm7.plain(text))
    return {
        "to": message.recipient,
        "to_digits": message.recipient.lstrip("+"),
        "text": text,
        "subject": message.subject,
        "key": message.key,
        "created_at": message.created_at.astimezone(UTC).isoformat(),
        **gateway.secrets,
    }


def _filled(template: str, values: Mapping[str, str], escape: Callable[[str], str]) -> str:
    return string.Template(template).substitute({name: escape(value) for name, value in values.items()})


def _escape_for(content_type: str) -> Callable[[str], str]:
    kind = content_type.partition(";")[0].strip().casefold()
    if kind.endswith("json"):
        return lambda value: json.dumps(value)[1:-1]
    if kind == "application/x-www-form-urlencoded":
        return _escape_url
    if kind.endswith("xml"):
        return _escape_xml
    return str


def _escape_url(value: str) -> str:
    return quote(value, safe="")


def _escape_xml(value: str) -> str:
    for raw, written in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("'", "&apos;")):
        value = value.replace(raw, written)
    return value


def _one_line(value: str) -> str:
    return " ".join(value.split())


def _retry_after(value: str | None, now: datetime) -> timedelta | None:
    """The wait a server asks for (RFC 9110 section 10.2.3): seconds or a date; None where it says nothing sensible."""
    if value is None:
        return None
    if value.strip().isdigit():
        return timedelta(seconds=min(int(value), 86_400))
    try:
        asked = parsedate_to_datetime(value)
    except ValueError:
        return None
    return max(asked - now, timedelta(0)) if asked.tzinfo is not None else None
