"""Any request the description allows, and many it does not, is answered as described, and never by a server error.

Requests are made up by schemathesis from the interface's own OpenAPI description.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import Case
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.domain.plant.role import Role, Scope
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.web_plant import WebSite

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


@pytest.fixture
def described(site: WebSite) -> Any:
    """The interface of a plant in which something is going on, open to a program that may do everything."""
    site.plant.believe_all({NIGHT - n * MINUTE: 0.5 + n / 100 for n in range(90)})
    site.plant.core(NIGHT - 30 * MINUTE, 3.0)
    headers = site.token(Role.ADMINISTRATOR, *Scope)
    answer = httpx.get(f"{site.url}/api/v1/openapi.json", headers=headers)
    schema = schemathesis.openapi.from_dict(answer.json())
    schema.config.update(base_url=site.url, headers=headers)
    return schema


@pytest.mark.untraced  # goes often over what other tests reach
def test_any_request_is_answered_as_described(described: Any) -> None:
    tried = 0
    for operation in (found.ok() for found in described.get_all_operations()):

        @settings(
            max_examples=12,
            phases=[Phase.explicit, Phase.generate],
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(operation.as_strategy())
        def answered(case: Case[Any]) -> None:
            case.call_and_validate(checks=CHECKS)

        answered()
        tried += 1
    assert tried >= 13, "every operation of the interface is tried"
