"""Alias orders of simulated phase records: never wrong, and not merely silent."""

from __future__ import annotations

import pytest
from order_trials import Trial, trial

COUNT = 80  # `bench/orders_1000.py` runs a thousand


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return [trial(k) for k in range(COUNT)]


def test_no_order_is_wrong(trials: list[Trial]) -> None:
    wrong = [t.record for t in trials if t.wrong]
    assert not wrong


def test_a_sensible_share_is_resolved(trials: list[Trial]) -> None:
    share = sum(t.resolved for t in trials) / len(trials)
    print(f"{share:.1%} of {COUNT} records resolved")
    # 55 % of 1500 were; three standard deviations of a sample of 80 below that
    assert share > 0.55 - 3 * (0.55 * 0.45 / COUNT) ** 0.5


def test_whole_run_downs_resolve_more_often_than_starts(trials: list[Trial]) -> None:
    def share(kind: str) -> float:
        rows = [t for t in trials if t.record.kind == kind]
        return sum(t.resolved for t in rows) / max(1, len(rows))

    assert share("full") > share("start")


def test_what_is_unresolved_lists_the_true_speed(trials: list[Trial]) -> None:
    silent = [t for t in trials if t.verdict is not None and not t.resolved]
    listed = sum(t.true_is_listed for t in silent)
    assert listed >= 0.97 * len(silent)
