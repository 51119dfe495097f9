"""The bucket of a node and the failures of an address, with the time in our own hands."""

import pytest

from server.intake.limits import Bucket, Failures, Limits


def test_a_burst_is_free_and_then_two_a_second() -> None:
    bucket = Bucket(Limits(rate_per_minute=120, burst=300), now_s=1000.0)
    assert [bucket.take(1000.0) for _ in range(299)] == [0.0] * 299
    assert bucket.take(1000.0) == pytest.approx(0.5)
    assert bucket.take(1000.5) == pytest.approx(0.5)
    assert bucket.take(1002.0) == 0.0  # 1.5 s gave three, one was taken


def test_a_rest_fills_the_bucket_no_further_than_the_burst() -> None:
    bucket = Bucket(Limits(rate_per_minute=60, burst=2), now_s=0.0)
    assert [bucket.take(1e6), bucket.take(1e6), bucket.take(1e6)] == [0.0, 1.0, 2.0]


def test_rate_0_is_no_bound() -> None:
    bucket = Bucket(Limits(rate_per_minute=0, burst=1), now_s=0.0)
    assert {bucket.take(0.0) for _ in range(1000)} == {0.0}


def test_five_failures_in_a_minute_slow_that_address_alone() -> None:
    failures = Failures(Limits())
    for second in range(4):
        failures.record("127.0.0.1", float(second))
    assert not failures.is_slowed("127.0.0.1", 4.0)
    failures.record("127.0.0.1", 4.0)
    assert failures.is_slowed("127.0.0.1", 59.9)
    assert not failures.is_slowed("127.0.0.1", 60.0)
    assert not failures.is_slowed("127.0.0.2", 5.0)


def test_addresses_kept_are_bounded() -> None:
    failures = Failures(Limits(failures=1))
    for number in range(Failures.most_addresses + 1):
        failures.record(f"address {number}", 0.0)
    assert not failures.is_slowed("address 0", 0.0)
    assert failures.is_slowed("address 1", 0.0)
