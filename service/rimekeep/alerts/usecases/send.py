"""Send one signed message to one webhook."""

import asyncio
import socket
import ssl
import time
from dataclasses import replace
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache
from http import HTTPStatus
from types import TracebackType
from typing import Self

import httpx2

from rimekeep.alerts.core.letters import as_json
from rimekeep.alerts.core.signing import ID_HEADER, SIGNATURE_HEADER, TIMESTAMP_HEADER, sign
from rimekeep.alerts.core.targets import Target, address_refusal, target_of
from rimekeep.alerts.usecases.deliver import Delivery, Outcome
from rimekeep.errors import Invalid

# For everything together: looking the name up, connecting, sending, the answer's head.
SEND_TIMEOUT_S = 10.0


@cache
def _trusted() -> ssl.SSLContext:
    # Reading the certificates of all authorities takes longer than most deliveries; once is enough.
    return httpx2.create_ssl_context(trust_env=False)


class Refusal(Exception):  # noqa: N818 - not a fault of ours: the receiver's address is one we do not send to
    """The receiver's name leads to an address that is not to be sent to, or nowhere."""


class Sender:
    """
    Sends messages to one receiver, and only where it may.

    The receiver's name is resolved here, every address it has is checked, and the connection goes to a
    checked one: a name that answers differently the second time gains nothing. Redirects are not followed
    and the environment's proxies not used, for the same reason. The body of an answer is not read.
    """

    def __init__(self, *, is_private_allowed: bool, timeout_s: float = SEND_TIMEOUT_S) -> None:
        """Connect to nothing yet."""
        self._is_private_allowed = is_private_allowed
        self._timeout_s = timeout_s
        self._client = httpx2.AsyncClient(
            verify=_trusted(),
            timeout=timeout_s,
            follow_redirects=False,
            trust_env=False,
            # How many are served at a time is the caller's business.
            limits=httpx2.Limits(max_connections=None),
        )

    async def __aenter__(self) -> Self:
        """Open the connections' pool."""
        await self._client.__aenter__()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close all connections."""
        await self._client.__aexit__(kind, error, trace)

    async def send(self, sent: Delivery, at: datetime) -> Outcome:
        """Try once; whatever happens becomes an outcome."""
        begun = time.monotonic()
        outcome = await self._sent(sent, at)
        return replace(outcome, duration_ms=round(1000 * (time.monotonic() - begun)))

    async def _sent(self, sent: Delivery, at: datetime) -> Outcome:
        try:
            async with asyncio.timeout(self._timeout_s):
                return await self._try(sent, at)
        except (TimeoutError, httpx2.TimeoutException):
            return Outcome(0, f"no answer within {self._timeout_s:g} s")
        except (Refusal, Invalid) as refusal:
            return Outcome(0, f"not sent: {refusal}")
        except httpx2.ConnectError:
            return Outcome(0, "no connection: refused, unreachable, or its certificate is not trusted")
        except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
            return Outcome(0, f"the connection broke before an answer ({type(error).__name__})")

    async def _try(self, sent: Delivery, at: datetime) -> Outcome:
        target = target_of(sent.url, is_private_allowed=self._is_private_allowed)
        addresses = await self._addresses(target)
        stamp, body = int(at.timestamp()), as_json(sent.said)
        headers = {
            "Host": _host_header(target),
            "Content-Type": "application/json",
            "User-Agent": "rimekeep",
            ID_HEADER: sent.message_id,
            TIMESTAMP_HEADER: str(stamp),
            SIGNATURE_HEADER: " ".join(sign(secret, sent.message_id, stamp, body) for secret in sent.secrets),
        }
        for k, address in enumerate(addresses, start=1):
            try:
                async with self._client.stream(
                    "POST",
                    httpx2.URL(sent.url).copy_with(host=address),
                    content=body,
                    headers=headers,
                    # The certificate is checked against the name, not against the address connected to.
                    extensions={"sni_hostname": target.host},
                ) as response:
                    if _is_empty(response):
                        # Nothing follows: read to its end, the connection serves the next message too.
                        await response.aread()
                    return _outcome(response.status_code, response.headers.get("Retry-After"), at)
            except httpx2.ConnectError:
                if k == len(addresses):
                    raise
        raise Refusal(f"{target.host} has no address")

    async def _addresses(self, target: Target) -> list[str]:
        try:
            found = await asyncio.get_running_loop().getaddrinfo(
                target.host, target.port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP
            )
        except (socket.gaierror, UnicodeError):
            raise Refusal(f"{target.host} is not a known name") from None
        addresses = list(dict.fromkeys(str(entry[4][0]) for entry in found))
        if not self._is_private_allowed:
            for address in addresses:
                refused = address_refusal(address)
                if refused:
                    raise Refusal(f"{target.host} leads to {address}, which {refused}")
        return addresses


def _is_empty(response: httpx2.Response) -> bool:
    return response.status_code == HTTPStatus.NO_CONTENT or response.headers.get("content-length") == "0"


def _host_header(target: Target) -> str:
    host = f"[{target.host}]" if ":" in target.host else target.host
    is_usual = (target.scheme, target.port) in {("https", 443), ("http", 80)}
    return host if is_usual else f"{host}:{target.port}"


def _outcome(status: int, retry_after: str | None, at: datetime) -> Outcome:
    if 200 <= status < 300:
        return Outcome(status)
    if 300 <= status < 400:
        return Outcome(status, "redirects are not followed; subscribe the final address")
    return Outcome(status, f"the receiver answered {status}", retry_after_s=_asked_s(retry_after, at))


def _asked_s(retry_after: str | None, at: datetime) -> float | None:
    """Return for how long Retry-After asks to be left alone (RFC 9110, 10.2.3): seconds, or a date."""
    if retry_after is None:
        return None
    if retry_after.isascii() and retry_after.isdigit():
        return float(retry_after[:9])
    try:
        until = parsedate_to_datetime(retry_after)
    except (ValueError, OverflowError):
        return None
    return max(0.0, (until.replace(tzinfo=until.tzinfo or UTC) - at).total_seconds())
