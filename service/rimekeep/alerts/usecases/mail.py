"""Send one message by mail."""

import asyncio
import smtplib
import socket
import ssl
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from functools import cache

from rimekeep.alerts.core.letters import as_mail
from rimekeep.alerts.core.targets import mailbox_of
from rimekeep.alerts.usecases.deliver import Delivery, Outcome
from rimekeep.platform.settings import Settings

# All mail goes through one server: more at a time would not be quicker.
ABREAST = 4


@cache
def _trusted() -> ssl.SSLContext:
    return ssl.create_default_context()


class Post:
    """
    Hands messages to the installation's mail server.

    A session is a thread's work and ends in time whatever the server does: when the time is up its socket
    is closed under it. The server is the operator's own and may stand on a private network.
    """

    def __init__(self, settings: Settings, *, timeout_s: float) -> None:
        """Connect to nothing yet."""
        self._settings = settings
        self._timeout_s = timeout_s
        self._threads = ThreadPoolExecutor(ABREAST, "mail")
        self._free = asyncio.Semaphore(ABREAST)

    def close(self) -> None:
        """Let the threads go; none is waited for."""
        self._threads.shutdown(wait=False)

    async def send(self, sent: Delivery, at: datetime) -> Outcome:
        """Try once; whatever happens becomes an outcome."""
        if self._settings.smtp_host is None:
            return Outcome(0, "not sent: no mail server is named (RIMEKEEP_SMTP_HOST)")
        async with self._free:
            begun = time.monotonic()
            session = self._session()
            work = asyncio.get_running_loop().run_in_executor(
                self._threads, self._hand_over, session, _mail(sent, at, self._settings.smtp_sender)
            )
            try:
                async with asyncio.timeout(self._timeout_s):
                    status, error = await asyncio.shield(work)
            except TimeoutError:
                _cut(session)
                status, error = 0, f"no answer within {self._timeout_s:g} s"
        return Outcome(status, error, round(1000 * (time.monotonic() - begun)))

    def _session(self) -> smtplib.SMTP:
        # Its own timeout is for one step, and the last resort: the whole is cut off before.
        if self._settings.smtp_tls == "tls":
            return smtplib.SMTP_SSL(timeout=2 * self._timeout_s, context=_trusted())
        return smtplib.SMTP(timeout=2 * self._timeout_s)

    def _hand_over(self, session: smtplib.SMTP, mail: EmailMessage) -> tuple[int, str]:
        settings = self._settings
        try:
            # The certificate is checked against this name; the constructor, which would connect, was given
            # none.
            session._host = settings.smtp_host  # type: ignore[attr-defined]
            session.connect(settings.smtp_host or "", settings.smtp_port)
            if settings.smtp_tls == "starttls":
                session.starttls(context=_trusted())
            if settings.smtp_user is not None and settings.smtp_password is not None:
                session.login(settings.smtp_user, settings.smtp_password.get_secret_value())
            session.send_message(mail)
        except smtplib.SMTPRecipientsRefused as refused:
            ((code, _),) = refused.recipients.values()
            return code, f"the mail server refused the mailbox ({code})"
        except smtplib.SMTPResponseException as refused:
            code = refused.smtp_code
            return (code if code >= 400 else 0), f"the mail server answered {code}"
        except smtplib.SMTPNotSupportedError:
            return 0, "the mail server lacks what the settings ask for (TLS or sign-in)"
        except (smtplib.SMTPException, OSError) as error:
            return 0, f"no connection to the mail server, or it broke ({type(error).__name__})"
        finally:
            _cut(session)
        return 250, ""


def _cut(session: smtplib.SMTP) -> None:
    """Close a session's socket, whoever waits on it."""
    held = session.sock
    if held is not None:
        with suppress(OSError):
            held.shutdown(socket.SHUT_RDWR)
        held.close()


def _mail(sent: Delivery, at: datetime, sender: str) -> EmailMessage:
    subject, text = as_mail(sent.said, sent.site_code)
    mail = EmailMessage()
    mail["From"] = sender
    mail["To"] = mailbox_of(sent.url)
    mail["Subject"] = subject
    mail["Date"] = format_datetime(at)
    # The same on every attempt, so that a mailbox may tell a repetition (RFC 5322, 3.6.4).
    mail["Message-ID"] = f"<{sent.message_id}.{sent.subscription_id}@{sender.rpartition('@')[2]}>"
    # RFC 3834: nobody's absence note answers it.
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(text)
    return mail
