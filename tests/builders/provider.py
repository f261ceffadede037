"""
An OpenID provider on loopback: it announces itself, signs people on and gives ID tokens for codes.

Its keys and signatures are made with the cryptography package by the standards' words (RFC 7515, 7517, 7518),
not with the library that the service reads them by. What it says can be bent, so that lies can be tried.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from secrets import token_urlsafe
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

CLIENT, SECRET = "cold store: north", "kept/between+both"
Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


def coded(value: bytes) -> str:
    return base64.urlsafe_b64encode(value).rstrip(b"=").decode()


@cache
def rsa_key(number: int = 0, bits: int = 2048) -> rsa.RSAPrivateKey:
    return rsa.generate_private_key(65537, bits)


@cache
def ec_key() -> ec.EllipticCurvePrivateKey:
    return ec.generate_private_key(ec.SECP256R1())


def _number(value: int) -> str:
    return coded(value.to_bytes((value.bit_length() + 7) // 8))


def announced(kid: str, key: Key) -> dict[str, str]:
    """The public half as RFC 7518, 6.2 and 6.3, write it."""
    public = key.public_key().public_numbers()
    if isinstance(public, rsa.RSAPublicNumbers):
        return {"kty": "RSA", "kid": kid, "use": "sig", "n": _number(public.n), "e": _number(public.e)}
    x, y = (coded(one.to_bytes(32)) for one in (public.x, public.y))
    return {"kty": "EC", "kid": kid, "use": "sig", "crv": "P-256", "x": x, "y": y}


def signature(alg: str, key: Key, signed: bytes) -> bytes:
    """The signature, or what somebody who has only the public key could send instead."""
    if alg == "none":
        return b""
    if alg == "HS256":
        public = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        return hmac.digest(public, signed, "sha256")
    if isinstance(key, rsa.RSAPrivateKey):
        return key.sign(signed, padding.PKCS1v15(), SHA256())
    r, s = decode_dss_signature(key.sign(signed, ec.ECDSA(SHA256())))
    return r.to_bytes(32) + s.to_bytes(32)


@dataclass
class Provider:
    """Who signs on next and how; every lie begins as the truth."""

    clock: Callable[[], datetime]
    url: str = ""
    claims: dict[str, Any] = field(
        default_factory=lambda: {"sub": "u-1", "email": "nora@example.com", "email_verified": True}
    )
    # Claims said otherwise than they are; None: left out.
    bent: dict[str, Any] = field(default_factory=dict)
    alg: str = "RS256"
    keys: dict[str, Key] = field(default_factory=lambda: {"one": rsa_key()})
    signs_with: str | None = "one"
    signing_key: Key | None = None
    announces: dict[str, Any] = field(default_factory=dict)
    extra: dict[str, str] = field(default_factory=dict)
    broken: bool = False
    asked: list[str] = field(default_factory=list)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)

    def discovery(self) -> dict[str, Any]:
        return {
            "issuer": self.url,
            "authorization_endpoint": f"{self.url}/authorize?tenant=north",
            "token_endpoint": f"{self.url}/token",
            "jwks_uri": f"{self.url}/keys",
            "id_token_signing_alg_values_supported": ["RS256", "ES256", "HS256", "none"],
            "authorization_response_iss_parameter_supported": True,
            **self.announces,
        }

    def authorize(self, asked: dict[str, str]) -> str:
        """Sign the person on and send them back with a code."""
        code = token_urlsafe(16)
        self.codes[code] = asked
        return (
            asked["redirect_uri"]
            + "?"
            + urlencode({"code": code, "state": asked["state"], "iss": self.url, **self.extra})
        )

    def token(self, form: dict[str, str], authorization: str) -> tuple[int, dict[str, Any]]:
        """Redeem a code: once, by the client, at its address, by who began (RFC 6749, 7636)."""
        name, secret = (urlencode({"": one})[1:] for one in (CLIENT, SECRET))
        if authorization != "Basic " + base64.b64encode(f"{name}:{secret}".encode()).decode():
            return 401, {"error": "invalid_client"}
        asked = self.codes.pop(form["code"], None)
        challenge = coded(hashlib.sha256(form["code_verifier"].encode()).digest())
        if (
            asked is None
            or asked["redirect_uri"] != form["redirect_uri"]
            or asked["code_challenge"] != challenge
        ):
            return 400, {"error": "invalid_grant"}
        assert asked["code_challenge_method"] == "S256"
        assert len(form["code_verifier"]) >= 43  # RFC 7636, 4.1
        return 200, {
            "token_type": "Bearer",
            "access_token": "unused",
            "id_token": self.id_token(asked["nonce"]),
        }

    def id_token(self, nonce: str) -> str:
        now = int(self.clock().timestamp())
        said = {
            "iss": self.url,
            "aud": CLIENT,
            "iat": now,
            "exp": now + 300,
            "nonce": nonce,
            **self.claims,
            **self.bent,
        }
        header = {"alg": self.alg, **({"kid": self.signs_with} if self.signs_with else {})}
        parts = (header, {name: value for name, value in said.items() if value is not None})
        signed = ".".join(coded(json.dumps(one).encode()) for one in parts)
        key = self.signing_key or self.keys[self.signs_with or "one"]
        return f"{signed}.{coded(signature(self.alg, key, signed.encode()))}"


@contextmanager
def providing(clock: Callable[[], datetime]) -> Iterator[Provider]:
    """Run a provider; closing it is how it goes away."""
    provider = Provider(clock)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            url = urlsplit(self.path)
            provider.asked.append(url.path)
            if url.path == "/authorize":
                self.send_response(303)
                self.send_header(
                    "Location", provider.authorize({k: v[0] for k, v in parse_qs(url.query).items()})
                )
                self.end_headers()
            elif url.path == "/keys":
                self.say(200, {"keys": [announced(kid, key) for kid, key in provider.keys.items()]})
            else:
                self.say(200, provider.discovery())

        def do_POST(self) -> None:
            provider.asked.append(self.path)
            form = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
            said = provider.token(
                {name: values[0] for name, values in form.items()}, self.headers["Authorization"]
            )
            self.say(*said)

        def say(self, status: int, body: dict[str, Any]) -> None:
            text = json.dumps(body).encode()
            self.send_response(500 if provider.broken else status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(text)))
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    provider.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield provider
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
