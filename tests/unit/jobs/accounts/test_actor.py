"""Who acts is the contact of the same name, account or address: nobody is told of their own answer."""

from __future__ import annotations

import pytest

from service.calls.contact import Contact
from service.jobs.accounts.actor import Actor, Door

NIGHT = Contact(name="Night operator", email="night@example.org")
PHONE = Contact(name="Duty phone", phone="+15550100100")


@pytest.mark.parametrize(
    ("actor", "found"),
    [
        (Actor(name="night OPERATOR", via=Door.LINK), NIGHT),
        (Actor(name="M. Okafor", via=Door.PAGE, account="okafor", email="Night@example.org"), NIGHT),
        (Actor(name="M. Okafor", via=Door.PAGE, account="duty phone"), PHONE),
        (Actor(name="M. Okafor", via=Door.PAGE, account="okafor", email="other@example.org"), None),
        (Actor(name="M. Okafor", via=Door.COMMAND), None),  # an address that nobody has is not everybody's
    ],
)
def test_the_contact_an_actor_is(actor: Actor, found: Contact | None) -> None:
    assert actor.contact((PHONE, NIGHT)) is found
