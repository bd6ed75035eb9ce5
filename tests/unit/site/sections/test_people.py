"""Addresses of people: RFC 5321 for mail, ITU-T E.164 for telephones."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from service.site.sections.people import ContactSection


def contact(**given: object) -> ContactSection:
    return ContactSection.model_validate({"name": "Night", **given})


@pytest.mark.parametrize(
    "email",
    [
        "night@example.org",
        "night.shift+plant@ops.example.org",
        "o'neill@example.com",
        "x@xn--bcher-kva.example.org",
        f"{'a' * 64}@example.org",  # RFC 5321, 4.5.3.1.1: a local part has at most 64 octets
    ],
)
def test_mail_addresses(email: str) -> None:
    assert contact(email=email).email == email


@pytest.mark.parametrize(
    "email",
    [
        "night",
        "night@example",
        "night@example,org",
        "night@@example.org",
        "night shift@example.org",
        "night@example.org, day@example.org",
        "Night <night@example.org>",
        ".night@example.org",
        "night..shift@example.org",
        "night.@example.org",
        "night@-example.org",
        "night@example..org",
        "night@example.org\nBcc: other@example.org",
        f"{'a' * 65}@example.org",
        f"a@{'b' * 60}.{'c' * 60}.{'d' * 60}.{'e' * 60}.{'f' * 60}.org",  # RFC 5321: a path has at most 256 octets
    ],
)
def test_what_is_no_mail_address(email: str) -> None:
    with pytest.raises(ValidationError):
        contact(email=email)


@given(st.from_regex(r"\A\+[1-9][0-9]{1,14}\Z"))
def test_e164_numbers_are_kept(phone: str) -> None:
    assert contact(phone=phone).phone == phone


@pytest.mark.parametrize(
    "phone",
    [
        "+",
        "+0123456",
        "555",
        "5550100199",
        "+1555010019912345",
        "+1 555 CALL NOW",
        "tel:+15550100199",
        "++15550100199",
        "",
    ],
)
def test_what_is_no_international_number(phone: str) -> None:
    with pytest.raises(ValidationError):
        contact(phone=phone)


@pytest.mark.parametrize("phone", ["+1 555 010 0199", "+1 (555) 010-0199", "+1.555.010.0199", "+1/555/010/0199"])
def test_gaps_in_a_number_are_left_out(phone: str) -> None:
    assert contact(phone=phone).phone == "+15550100199"
