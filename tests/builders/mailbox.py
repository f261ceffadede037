"""A mail server on loopback (aiosmtpd) that keeps what it is handed, or refuses, or never answers."""

from __future__ import annotations

import email
import email.policy
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from builders.server import free_port


@dataclass
class Mailbox:
    """What came in, in order, and what is answered next; 250 once ``answers`` is used up."""

    port: int
    answers: list[str] = field(default_factory=list)
    mails: list[EmailMessage] = field(default_factory=list)
    signed_in: list[tuple[str, str]] = field(default_factory=list)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        """Take a mail."""
        if self.answers:
            return self.answers.pop(0)
        content = envelope.original_content or b""
        found = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(found, EmailMessage)
        found["X-Envelope-To"] = ", ".join(envelope.rcpt_tos)
        self.mails.append(found)
        return "250 taken"

    def sign_in(self, _server: Any, _session: Any, _envelope: Any, _mechanism: str, data: Any) -> AuthResult:
        """Take any name and password, and keep them."""
        self.signed_in.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=True)


@contextmanager
def mailbox(*, wants_sign_in: bool = False) -> Iterator[Mailbox]:
    """Run a mail server."""
    kept = Mailbox(free_port())
    more = {"authenticator": kept.sign_in, "auth_require_tls": False} if wants_sign_in else {}
    server = Controller(kept, hostname="127.0.0.1", port=kept.port, **more)
    server.start()
    try:
        yield kept
    finally:
        server.stop()
