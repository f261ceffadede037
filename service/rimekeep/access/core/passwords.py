"""Passwords: which are good enough, and what is kept of one."""

import base64
import hashlib
import hmac
import unicodedata
from collections.abc import Iterable

from rimekeep.wording import say

# One of the settings the OWASP Password Storage Cheat Sheet holds to be of equal strength (from memory):
# 2^15 · 8 · 128 bytes are 32 MiB for each password that is being checked.
COST_EXPONENT, BLOCK, LANES = 15, 8, 3
MEMORY_BYTES = 1 << 27
SALT_BYTES, HASH_BYTES = 16, 32
SHORTEST, LONGEST = 12, 200
FEWEST_SIGNS = 5


def plain(password: str) -> bytes:
    """Return a password as it is hashed: one spelling whatever the keyboard (NIST SP 800-63B)."""
    return unicodedata.normalize("NFKC", password).encode()


def fault_in(password: str, names: Iterable[str]) -> str | None:
    """Return what is wrong with a new password, or None; ``names`` are what anybody would try first."""
    if not SHORTEST <= len(password) <= LONGEST:
        return say(
            "It has {n} characters; {least} to {most} are needed.",
            n=len(password),
            least=SHORTEST,
            most=LONGEST,
        )
    if len(set(password)) < FEWEST_SIGNS:
        return say("It has fewer than {least} different characters.", least=FEWEST_SIGNS)
    if any(len(name) > 2 and name.casefold() in password.casefold() for name in names):
        return say("It holds a name everybody knows.")
    return None


def hashed(password: str, salt: bytes) -> str:
    """Return what is kept: the way it was made, the salt and the hash (scrypt, RFC 7914)."""
    key = _scrypt(plain(password), salt, COST_EXPONENT, BLOCK, LANES, HASH_BYTES)
    shown = "$".join(base64.b64encode(part).decode() for part in (salt, key))
    return f"scrypt${COST_EXPONENT}${BLOCK}${LANES}${shown}"


def matches(password: str, stored: str) -> bool:
    """Tell whether ``stored`` was made of this password; it takes equally long either way."""
    kind, exponent, block, lanes, salt, key = stored.split("$")
    if kind != "scrypt":
        raise ValueError(f"{kind} is no way passwords are kept here")
    wanted = base64.b64decode(key)
    salted = base64.b64decode(salt)
    found = _scrypt(plain(password), salted, int(exponent), int(block), int(lanes), len(wanted))
    return hmac.compare_digest(found, wanted)


def _scrypt(secret: bytes, salt: bytes, exponent: int, block: int, lanes: int, length: int) -> bytes:
    return hashlib.scrypt(
        secret, salt=salt, n=1 << exponent, r=block, p=lanes, maxmem=MEMORY_BYTES, dklen=length
    )


# Checked in place of a password that is not there, so that an unknown name takes as long to refuse. No
# password is known that would make it.
NOBODYS = f"scrypt${COST_EXPONENT}${BLOCK}${LANES}${'A' * 22}==${'A' * 43}="
