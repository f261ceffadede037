"""Passwords: hashed as RFC 7914 has it, checked, and refused when they would be guessed."""

import base64

import pytest

from rimekeep.access.core import passwords


def test_what_is_kept_is_scrypt_as_the_standard_has_it() -> None:
    """RFC 7914, section 12: the vector of N = 16384, r = 8, p = 1."""
    key = bytes.fromhex(
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
    )
    kept = [base64.b64encode(part).decode() for part in (b"SodiumChloride", key)]
    stored = "$".join(["scrypt", "14", "8", "1", *kept])
    assert passwords.matches("pleaseletmein", stored)
    assert not passwords.matches("pleaseletmeout", stored)


def test_a_password_matches_itself_however_it_was_typed() -> None:
    stored = passwords.hashed("Frühstück um sieben", b"0123456789abcdef")
    assert stored.startswith("scrypt$15$8$3$")
    assert "Fr" not in stored
    # The same letters, spelt with combining marks.
    assert passwords.matches("Fru\u0308hstu\u0308ck um sieben", stored)


def test_what_stands_in_for_nobody_s_password_can_be_checked_like_any() -> None:
    assert not passwords.matches("anything at all", passwords.NOBODYS)
    assert passwords.NOBODYS.split("$")[:4] == passwords.hashed("x", b"0" * 16).split("$")[:4]


@pytest.mark.parametrize(
    ("password", "is_good"),
    [
        ("elevenchars", False),
        ("twelve chars", True),
        ("abababababababab", False),
        ("a" * 201, False),
        ("Nora is my name", False),
        ("kept at two degrees", True),
    ],
)
def test_short_dull_and_obvious_ones_are_refused(password: str, is_good: bool) -> None:
    """Our own rules; the length follows NIST SP 800-63B (from memory)."""
    assert (passwords.fault_in(password, ("nora", "nn")) is None) is is_good
