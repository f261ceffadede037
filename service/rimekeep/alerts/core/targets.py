"""Where alerts may be sent: a mailbox, or a webhook that is on no private network unless allowed."""

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from urllib.parse import unquote, urlsplit

from rimekeep.errors import invalid
from rimekeep.wording import say

MAX_URL_LENGTH = 2000
MAIL = "mailto:"
# Of RFC 5321's mailboxes those people have: no quoted names, no addresses in brackets.
_MAILBOX = re.compile(
    r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64}@(?=.{1,253}$)(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)*"
    r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
)
_PORTS = {"https": 443, "http": 80}
# RFC 6052: addresses in which a translator finds an IPv4 address.
_NAT64 = IPv6Network("64:ff9b::/96")
# Not for the public internet either, though not every Python version says so: protocol assignments and relays
# (RFC 6890, RFC 7526), IPv4-compatible and site-local addresses (RFC 4291), a network's own NAT64 (RFC 8215).
_SPECIAL: tuple[IPv4Network | IPv6Network, ...] = (
    IPv4Network("192.0.0.0/24"),
    IPv4Network("192.88.99.0/24"),
    IPv6Network("::/96"),
    IPv6Network("64:ff9b:1::/48"),
    IPv6Network("fec0::/10"),
)


@dataclass(frozen=True, slots=True)
class Target:
    """A receiver's address, taken apart."""

    scheme: str
    host: str
    port: int


def is_mail(url: str) -> bool:
    """Tell whether a receiver is a mailbox."""
    return url[: len(MAIL)].lower() == MAIL


def mailbox_of(url: str) -> str:
    """
    Return the one mailbox a mailto URL (RFC 6068) names.

    Raises
    ------
    Invalid
        It names none or several, or carries header fields.

    Examples
    --------
    >>> mailbox_of("mailto:qa%2Bnight@brewery.example")
    'qa+night@brewery.example'
    """
    found = unquote(url[len(MAIL) :])
    if "?" in url or not _MAILBOX.fullmatch(found):
        raise invalid("url", say("This is not one mailbox."), say("Give mailto:NAME@HOST in ASCII."))
    return found


def target_of(url: str, *, is_private_allowed: bool) -> Target:
    """
    Return the parts of a receiver's URL.

    Raises
    ------
    Invalid
        It is no absolute http or https URL, holds a password or a fragment, is not encrypted, or names a
        private address, and ``is_private_allowed`` does not permit the last two. A host name is not resolved
        here: what it resolves to is checked each time something is sent.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise invalid("url", say("This is not a URL."), say("Give https://HOST/PATH.")) from None
    scheme, host = parts.scheme.lower(), (parts.hostname or "").rstrip(".")
    if (
        scheme not in _PORTS
        or not host
        or len(url) > MAX_URL_LENGTH
        or not url.isascii()
        or any(mark <= " " for mark in url)
    ):
        raise invalid(
            "url",
            say("This is not the address of a receiver."),
            say("Give https://HOST/PATH in ASCII, without spaces."),
        )
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise invalid(
            "url",
            say("The address holds a user name or a fragment."),
            say("Leave them out; the signature proves the sender."),
        )
    if not is_private_allowed:
        if scheme == "http":
            raise invalid(
                "url", say("An unencrypted address would show alerts to others."), say("Use https.")
            )
        refused = say("is this machine") if _is_local_name(host) else _literal_refusal(host)
        if refused:
            raise invalid(
                "url",
                say("The receiver {host} {refused}.", host=host, refused=refused),
                say(
                    "Use a public address, or allow private ones for the installation "
                    "(RIMEKEEP_WEBHOOK_ALLOW_PRIVATE)."
                ),
            )
    return Target(scheme, host, port if port else _PORTS[scheme])


def _is_local_name(host: str) -> bool:
    return host.lower() == "localhost" or host.lower().endswith(".localhost")


def _literal_refusal(host: str) -> str | None:
    try:
        ip_address(host)
    except ValueError:
        return None
    return address_refusal(host)


def address_refusal(address: str) -> str | None:
    """
    Return why an IP address may not be sent to, or None when it is public.

    Addresses that carry another inside (IPv4-mapped, 6to4, Teredo, NAT64) are judged by both.

    Examples
    --------
    >>> address_refusal("10.0.0.7")
    'is not a public address'
    >>> address_refusal("64:ff9b::7f00:1")
    'is not a public address'
    >>> address_refusal("9.9.9.9") is None
    True
    """
    found = ip_address(address.partition("%")[0])
    if all(_is_public(one) for one in (found, *_carried(found))):
        return None
    return say("is not a public address")


def _is_public(address: IPv4Address | IPv6Address) -> bool:
    return (
        address.is_global and not address.is_multicast and not any(address in special for special in _SPECIAL)
    )


def _carried(address: IPv4Address | IPv6Address) -> tuple[IPv4Address, ...]:
    if isinstance(address, IPv4Address):
        return ()
    carried = [address.ipv4_mapped, address.sixtofour, *(address.teredo or ())]
    if address in _NAT64:
        carried.append(IPv4Address(int(address) & 0xFFFFFFFF))
    return tuple(one for one in carried if one is not None)
