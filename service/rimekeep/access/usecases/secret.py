"""What is kept of tokens, codes and cookies."""

import hashlib


def token_hash(token: str) -> str:
    """Return what is stored of a token. It holds 256 random bits, so one round of SHA-256 is enough."""
    return hashlib.sha256(token.encode()).hexdigest()
