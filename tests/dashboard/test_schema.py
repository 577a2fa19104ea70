"""The OpenAPI schema is kept: requests made from it meet no server error, and every answer is as it says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import checks
from starlette.testclient import TestClient

from dashboard.app import create_app
from dashboard.sound import SoundMemory
from monitor.evidence.archive import Archive
from tests.dashboard.shop import Shop, hold
from tests.dashboard.test_app import HERE, SAME
from tests.dashboard.test_past import keep_batch

EXAMPLES = 12  # of each of some twenty operations


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Any:
    directory = tmp_path_factory.mktemp("evidence")
    keep_batch(directory)
    shop = Shop()
    shop.work(1, hold(1))
    return create_app(shop.live, shop, sound=SoundMemory(8000), archive=Archive(directory), batch=1)


@pytest.fixture(scope="module")
def client(app: Any) -> Iterator[TestClient]:
    with TestClient(app, base_url=HERE, raise_server_exceptions=False) as client:
        yield client


CHECKS = [
    checks.not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_schema_conformance,
]


def test_every_operation_answers_as_the_schema_says(client: TestClient) -> None:
    schema = schemathesis.openapi.from_dict(client.get("/api/openapi.json").json())
    operations = [result.ok() for result in schema.get_all_operations()]
    assert len(operations) > 18
    tried = sum(ask(client, operation) for operation in operations)
    print(f"{tried} requests to {len(operations)} operations tried")


def ask(client: TestClient, operation: Any) -> int:
    """Ask for one operation in as many ways as were drawn; gives their number."""
    tried = 0

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def asked(case: Any) -> None:
        nonlocal tried
        tried += 1
        request = case.as_transport_kwargs(base_url=HERE)
        sent = {key: request[key] for key in ("params", "json", "data") if request.get(key) is not None}
        headers = {**(request.get("headers") or {}), **SAME}
        answer = client.request(request["method"], request["url"], headers=headers, **sent)
        case.validate_response(answer, checks=CHECKS)

    asked()
    return tried
