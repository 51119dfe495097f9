"""The exposition is read back by prometheus_client's own parser, not by ours."""

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine

from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

NOW_MS = int(yard.NOW.timestamp() * 1000)
LINE: dict[str, object] = {
    "t_ms": NOW_MS - 800,
    "last_commit_ms": NOW_MS - 900,
    "queue_packs": 3,
    "queue_bytes": 4096,
    "connections": 2,
    "store_failing": False,
    "packs_stored": 120,
    "packs_refused": {"unit-mismatch": 1, "bad-seal": 4},
    "readings_stored": 43210,
    "redelivered": 5,
    "fast_misses": 1,
    "dirty_days": 7,
    "commits": 11,
    "commit_seconds_sum": 0.25,
    "commit_seconds_buckets": {"0.005": 4, "0.05": 10},
    "group_packs_sum": 120,
}


@pytest.mark.parametrize(
    ("line", "status", "reason"),
    [
        (LINE, 200, None),
        (None, 503, "nothing heard from the service for 5 seconds"),
        (LINE | {"t_ms": NOW_MS - 5001}, 503, "the service’s last word is older than 5 seconds"),
        (LINE | {"t_ms": NOW_MS - 5000}, 200, None),
        (LINE | {"store_failing": True}, 503, "the store refuses; boxes keep their readings"),
        ({}, 503, "the service’s last word is older than 5 seconds"),
    ],
)
def test_well_or_not(engine: Engine, line: dict[str, object] | None, status: int, reason: str | None) -> None:
    answer = app_over(engine, line).test_client().get("/healthz", base_url=HOST)
    told = answer.get_json()
    assert (answer.status_code, told.get("reason")) == (status, reason)
    assert told["status"] == ("well" if reason is None else "not well")


def test_metrics_are_read_by_another_reader(engine: Engine) -> None:
    answer = app_over(engine, LINE).test_client().get("/metrics", base_url=HOST)
    told = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.get_data(as_text=True))
        for sample in family.samples
    }
    wanted = {
        ("packs_stored_total",): 120.0,
        ("packs_refused_total", "unit-mismatch"): 1.0,
        ("packs_refused_total", "bad-seal"): 4.0,
        ("readings_stored_total",): 43210.0,
        ("redelivered_total",): 5.0,
        ("fast_check_misses_total",): 1.0,
        ("queue_packs",): 3.0,
        ("queue_bytes",): 4096.0,
        ("connections",): 2.0,
        ("store_failing",): 0.0,
        ("dirty_days",): 7.0,
        ("commit_seconds_bucket", "0.005"): 4.0,
        ("commit_seconds_bucket", "0.05"): 10.0,
        ("commit_seconds_bucket", "+Inf"): 11.0,
        ("commit_seconds_sum",): 0.25,
        ("commit_seconds_count",): 11.0,
        ("group_packs_bucket", "+Inf"): 11.0,
        ("group_packs_sum",): 120.0,
        ("group_packs_count",): 11.0,
    }
    assert wanted.items() <= told.items()


def test_no_metrics_without_a_service(engine: Engine) -> None:
    assert app_over(engine).test_client().get("/metrics", base_url=HOST).status_code == 503
