"""The OpenID provider asked over HTTP: what it announces, its keys, and an ID token for a code."""

import json
import ssl
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, lru_cache
from http import HTTPStatus
from typing import Any
from urllib.parse import quote_plus, urlencode, urlsplit

import httpx2
from joserfc.jwk import ECKey, RSAKey

from rimekeep.access.core.sign_on import (
    ASYMMETRIC,
    Account,
    Asked,
    Begun,
    KeyNotKnown,
    NotSignedOn,
    account_in,
    keys_in,
)
from rimekeep.platform.settings import Settings

RETURN_PATH = "/sign-on/return"
TIMEOUT_S = 5.0
LARGEST_ANSWER_BYTES = 1_000_000
# What a provider announces is asked for again so often, at least.
KEPT_FOR = timedelta(hours=1)


class ProviderAway(Exception):  # noqa: N818 - said as a word
    """The provider does not answer, or not as the standard has it."""


@dataclass(frozen=True, slots=True)
class Announced:
    """What the provider says of itself."""

    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    algorithms: frozenset[str]
    takes_secret_in_header: bool
    names_itself: bool
    asked_at: datetime


class Provider:
    """One provider; what it announces is kept a while."""

    def __init__(self, *, issuer: str, client_id: str, client_secret: str, address: str) -> None:
        """Ask nothing yet."""
        self.issuer = issuer
        self._client_id, self._client_secret = client_id, client_secret
        # Fixed: where the provider sends people back to depends on nothing a request says.
        self._returns_to = address.rstrip("/") + RETURN_PATH
        self._announced: Announced | None = None
        self._keys: tuple[list[RSAKey | ECKey], datetime] | None = None

    def way_in(self, begun: Begun, now: datetime) -> str:
        """Return the address at the provider where somebody signs on."""
        asked = {
            "response_type": "code",
            "client_id": self._client_id,
            "redirect_uri": self._returns_to,
            "scope": "openid email",
            "state": begun.state,
            "nonce": begun.nonce,
            "code_challenge": begun.challenge,
            "code_challenge_method": "S256",
        }
        endpoint = self._known(now).authorization_endpoint
        return endpoint + ("&" if urlsplit(endpoint).query else "?") + urlencode(asked)

    def account_for(self, begun: Begun, code: str, named: str | None, now: datetime) -> Account:
        """Redeem a code and return whom its ID token speaks of; ``named``: who the answer says it is from."""
        known = self._known(now)
        # RFC 9207: an answer of another provider is told apart.
        if named != self.issuer and (named is not None or known.names_itself):
            raise NotSignedOn(f"the answer is from {named!r}")
        token = self._redeem(known, begun, code)
        asked = Asked(self.issuer, self._client_id, begun.nonce, known.algorithms)
        try:
            return account_in(token, self._known_keys(known, now), asked, now)
        except KeyNotKnown:
            # It may have changed its keys since.
            return account_in(token, self._known_keys(known, now, anew=True), asked, now)

    def _redeem(self, known: Announced, begun: Begun, code: str) -> str:
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self._returns_to,
            "code_verifier": begun.verifier,
        }
        auth = None
        if known.takes_secret_in_header:
            # RFC 6749, 2.3.1: both are encoded as in a form first.
            auth = httpx2.BasicAuth(quote_plus(self._client_id), quote_plus(self._client_secret))
        else:
            form |= {"client_id": self._client_id, "client_secret": self._client_secret}
        answer = self._ask("POST", known.token_endpoint, form, auth)
        token = answer.get("id_token")
        if not isinstance(token, str):
            raise NotSignedOn(f"no ID token for the code: {str(answer.get('error'))[:100]}")
        return token

    def _known(self, now: datetime) -> Announced:
        if self._announced is None or not _is_fresh(self._announced.asked_at, now):
            self._announced = self._discover(now)
        return self._announced

    def _known_keys(self, known: Announced, now: datetime, *, anew: bool = False) -> list[RSAKey | ECKey]:
        if anew or self._keys is None or not _is_fresh(self._keys[1], now):
            self._keys = keys_in(self._ask("GET", known.jwks_uri)), now
        return self._keys[0]

    def _discover(self, now: datetime) -> Announced:
        told = self._ask("GET", self.issuer.rstrip("/") + "/.well-known/openid-configuration")
        if told.get("issuer") != self.issuer:
            raise ProviderAway(f"it calls itself {told.get('issuer')!r}, not {self.issuer!r}")
        endpoints = [told.get(name) for name in ("authorization_endpoint", "token_endpoint", "jwks_uri")]
        for one in endpoints:
            scheme = urlsplit(self.issuer).scheme
            if not isinstance(one, str) or urlsplit(one).scheme not in {"https", scheme}:
                raise ProviderAway(f"it announces {one!r}")
        ways = told.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
        listed = told.get("id_token_signing_alg_values_supported")
        return Announced(
            authorization_endpoint=str(endpoints[0]),
            token_endpoint=str(endpoints[1]),
            jwks_uri=str(endpoints[2]),
            algorithms=ASYMMETRIC.intersection(map(str, listed) if isinstance(listed, list) else ()),
            takes_secret_in_header="client_secret_basic" in ways or "client_secret_post" not in ways,
            names_itself=told.get("authorization_response_iss_parameter_supported") is True,
            asked_at=now,
        )

    def _ask(
        self, method: str, url: str, form: dict[str, str] | None = None, auth: httpx2.BasicAuth | None = None
    ) -> dict[str, Any]:
        """Return the JSON object answered; one that says no to a form (400, 401) is an answer too."""
        trusted, body = _trusted(), bytearray()
        until = time.monotonic() + TIMEOUT_S
        accepted = {HTTPStatus.OK, *((HTTPStatus.BAD_REQUEST, HTTPStatus.UNAUTHORIZED) if form else ())}
        try:
            # Redirects are not followed; the environment's proxies and CAs count.
            with httpx2.stream(
                method,
                url,
                data=form,
                auth=auth,
                headers={"Accept": "application/json"},
                timeout=TIMEOUT_S,
                follow_redirects=False,
                verify=trusted,
            ) as answer:
                if answer.status_code not in accepted:
                    raise ProviderAway(f"{url} answers {answer.status_code}")
                for chunk in answer.iter_bytes():
                    body += chunk
                    if len(body) > LARGEST_ANSWER_BYTES or time.monotonic() > until:
                        raise ProviderAway(f"{url} answers too much or too slowly")
            told = json.loads(body)
        except (httpx2.HTTPError, httpx2.InvalidURL, ValueError, RecursionError) as error:
            raise ProviderAway(f"{url}: {error!r}") from error
        if not isinstance(told, dict):
            raise ProviderAway(f"{url} answers no JSON object")
        return told


@cache
def _trusted() -> ssl.SSLContext:
    """Return whose certificates count; reading them takes longer than asking."""
    return httpx2.create_ssl_context()


def _is_fresh(asked_at: datetime, now: datetime) -> bool:
    return asked_at <= now < asked_at + KEPT_FOR


@lru_cache(4)
def provider_of(settings: Settings) -> Provider | None:
    """Return the provider the settings name, or None."""
    if settings.sign_on_issuer is None:
        return None
    # The settings are refused otherwise.
    assert settings.sign_on_client_id is not None
    assert settings.sign_on_client_secret is not None
    assert settings.sign_on_address is not None
    return Provider(
        issuer=settings.sign_on_issuer,
        client_id=settings.sign_on_client_id,
        client_secret=settings.sign_on_client_secret.get_secret_value(),
        address=settings.sign_on_address,
    )
