"""A hall of tables on one broker that goes away in the middle, in short: benchmarks/many_tables."""

from __future__ import annotations

from benchmarks.many_tables import play


def test_a_hall_loses_nothing_and_says_nothing_twice() -> None:
    hall = play(tables=20, seconds=6.0, outage_s=2.0)
    assert hall.events > 5
    assert hall.sent_in_outage > 0
    assert hall.refused < hall.events
    assert (hall.lost, hall.twice, hall.different_answers) == (0, 0, 0)
    assert len(hall.echo_s) > 10
