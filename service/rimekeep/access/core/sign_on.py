"""
Single sign-on as OpenID Connect Core 1.0 has it: what is sent along, and what an ID token must say.

Nothing is kept of a sign-on that has begun but the secret in the browser's cookie. The three values sent to
the provider are made of it, so what comes back can be held against the cookie alone.
"""

import base64
import hashlib
import hmac
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, JWKRegistry, RSAKey

# With these a provider signs with a key only it has; never "none", never a secret that both sides know.
ASYMMETRIC = frozenset(f"{kind}{size}" for kind in ("RS", "PS", "ES") for size in (256, 384, 512))
# So long somebody may take at the provider.
LASTS = timedelta(minutes=10)
# Clocks of ours and the provider's may differ by so much.
LEEWAY_S = 60
LEAST_RSA_BITS = 2048
LONGEST_SUBJECT = 255


class NotSignedOn(Exception):  # noqa: N818 - said as a word
    """What came back proves nothing; the reason is for the log."""


class KeyNotKnown(NotSignedOn):
    """The token names a key that the provider had not announced when asked last."""


@dataclass(frozen=True, slots=True)
class Begun:
    """A sign-on under way: the cookie's secret, and since when."""

    secret: str
    at: datetime

    @property
    def cookie(self) -> str:
        """Return what the browser keeps."""
        return f"{int(self.at.timestamp())}.{self.secret}"

    @property
    def state(self) -> str:
        """Return what the provider sends back, so that another browser's answer is told apart."""
        return self._made("state")

    @property
    def nonce(self) -> str:
        """Return what the ID token must hold, so that one made for another sign-on is told apart."""
        return self._made("nonce")

    @property
    def verifier(self) -> str:
        """Return what shows the provider that who redeems the code is who began (RFC 7636)."""
        return self._made("verifier")

    @property
    def challenge(self) -> str:
        """Return the verifier's S256 challenge."""
        return _base64url(hashlib.sha256(self.verifier.encode()).digest())

    def _made(self, purpose: str) -> str:
        # The time is part of it: a cookie made younger fits nothing that was sent.
        return _base64url(hmac.digest(self.cookie.encode(), purpose.encode(), "sha256"))


def _base64url(value: bytes) -> str:
    return base64.urlsafe_b64encode(value).rstrip(b"=").decode()


def begun_with(cookie: str, now: datetime) -> Begun | None:
    """Return the sign-on a cookie stands for; None if it is none, or too old."""
    at, _, secret = cookie.partition(".")
    if not (at.isascii() and at.isdigit() and len(at) <= 11 and secret):
        return None
    begun = Begun(secret, datetime.fromtimestamp(int(at), UTC))
    return begun if begun.at - timedelta(seconds=LEEWAY_S) <= now < begun.at + LASTS else None


@dataclass(frozen=True, slots=True)
class Account:
    """Whom the provider speaks of."""

    issuer: str
    # Never given to anybody else by this issuer.
    subject: str
    # None unless the provider has verified that it is theirs, and it can be read in one way only.
    mail: str | None


@dataclass(frozen=True, slots=True)
class Asked:
    """What an ID token is held against."""

    issuer: str
    client_id: str
    nonce: str
    algorithms: Collection[str]


def keys_in(announced: Any) -> list[RSAKey | ECKey]:
    """Return the keys of a provider's key set that may verify a signature; others are passed over."""
    keys: list[RSAKey | ECKey] = []
    listed = announced.get("keys") if isinstance(announced, dict) else None
    for one in listed if isinstance(listed, list) else ():
        if not isinstance(one, dict) or one.get("use", "sig") != "sig":
            continue
        try:
            if one.get("kty") == "RSA" and _bits(one["n"]) < LEAST_RSA_BITS:
                continue
            key = JWKRegistry.import_key(one)
        except (JoseError, ValueError, KeyError, TypeError, AttributeError):
            continue
        if isinstance(key, RSAKey | ECKey):
            keys.append(key)
    return keys


def _bits(modulus: str) -> int:
    return int.from_bytes(base64.urlsafe_b64decode(modulus + "=" * (-len(modulus) % 4))).bit_length()


def account_in(id_token: str, keys: Sequence[RSAKey | ECKey], asked: Asked, now: datetime) -> Account:
    """
    Return whom an ID token speaks of.

    Raises
    ------
    KeyNotKnown
        It names a key that is not among ``keys``.
    NotSignedOn
        Its signature or one of its claims (OpenID Connect Core 1.0, 3.1.3.7) is not as it must be.
    """
    allowed = sorted(ASYMMETRIC.intersection(asked.algorithms))
    registry = jws.JWSRegistry(algorithms=allowed, strict_check_header=False)
    try:
        header = jws.extract_compact(id_token.encode(), registry=registry).headers()
        if header.get("alg") not in allowed:
            raise NotSignedOn(f"signed by {header.get('alg')!r}")
        claims = jwt.decode(id_token, _key(header, keys), registry=registry).claims
        jwt.JWTClaimsRegistry(
            now=int(now.timestamp()),
            leeway=LEEWAY_S,
            iss={"essential": True, "value": asked.issuer},
            aud={"essential": True, "value": asked.client_id},
            sub={"essential": True},
            exp={"essential": True},
            iat={"essential": True},
        ).validate(claims)
    except (JoseError, ValueError, OverflowError, RecursionError) as error:
        raise NotSignedOn(f"ID token: {error}") from error
    _check(claims, asked, now)
    return Account(asked.issuer, claims["sub"], _mail(claims))


def _key(header: Mapping[str, Any], keys: Sequence[RSAKey | ECKey]) -> RSAKey | ECKey:
    kind = "EC" if header["alg"].startswith("ES") else "RSA"
    fitting = [key for key in keys if key.key_type == kind and key.get("alg") in (None, header["alg"])]
    if "kid" in header:
        fitting = [key for key in fitting if key.kid == header["kid"]]
    if len(fitting) != 1:
        raise KeyNotKnown(f"{len(fitting)} keys for {header.get('kid')!r}")
    return fitting[0]


def _check(claims: Mapping[str, Any], asked: Asked, now: datetime) -> None:
    """Check what the library leaves to its caller."""
    if claims.get("nonce") != asked.nonce:
        raise NotSignedOn("ID token: made for another sign-on")
    several = isinstance(claims["aud"], list) and len(claims["aud"]) > 1
    if claims.get("azp", None if several else asked.client_id) != asked.client_id:
        raise NotSignedOn("ID token: issued to another client")
    if claims["iat"] < now.timestamp() - LASTS.total_seconds() - LEEWAY_S:
        raise NotSignedOn("ID token: issued too long ago")
    subject = claims["sub"]
    if not (0 < len(subject) <= LONGEST_SUBJECT and subject.isascii() and subject.isprintable()):
        raise NotSignedOn("ID token: no usable subject")


def _mail(claims: Mapping[str, Any]) -> str | None:
    mail = claims.get("email")
    # Folding capitals makes some letters beyond ASCII equal to others, and so one person to another.
    is_plain = isinstance(mail, str) and mail.isascii() and mail.isprintable() and mail.count("@") == 1
    return mail if is_plain and claims.get("email_verified") is True else None
