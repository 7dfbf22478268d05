"""What a film costs: no second counts twice, and none is another film's."""

import threading

import pytest

from raysplay.infer import spending
from raysplay.infer.spending import Spending, add_operations, spending_of_a_film, stage


@pytest.fixture
def clock(monkeypatch):
    """A clock that moves when it is told to."""

    class Clock:
        now = 0.0

        def perf_counter(self):
            return self.now

    clock = Clock()
    monkeypatch.setattr(spending, "time", clock)
    return clock


def test_a_stage_within_a_stage_is_taken_off_it(clock):
    cost = Spending()
    with spending_of_a_film(cost):
        with stage("landmarks"):
            clock.now += 2.0
            with stage("refine"):
                clock.now += 5.0
            with stage("refine"):
                clock.now += 1.0
            clock.now += 3.0
        with stage("measure"):
            clock.now += 4.0
    assert cost.seconds == {"landmarks": 5.0, "refine": 6.0, "measure": 4.0}


def test_a_stage_that_fails_is_counted(clock):
    cost = Spending()

    def fail():
        with stage("find"):
            clock.now += 2.0
            raise ZeroDivisionError

    with spending_of_a_film(cost), pytest.raises(ZeroDivisionError):
        fail()
    assert cost.seconds == {"find": 2.0}


def test_of_no_film_nothing_is_kept(clock):
    cost = Spending()
    with spending_of_a_film(cost):
        pass
    with stage("find"):
        add_operations(3.0)
        clock.now += 1.0
    assert cost == Spending()


def test_each_thread_has_its_own_film():
    costs = [Spending() for _ in range(4)]
    meeting = threading.Barrier(4)

    def read(number):
        with spending_of_a_film(costs[number]), stage(f"stage {number}"):
            meeting.wait(timeout=120)
            add_operations(10.0**number)
            meeting.wait(timeout=120)

    threads = [threading.Thread(target=read, args=(number,)) for number in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert [cost.operations for cost in costs] == [1.0, 10.0, 100.0, 1000.0]
    assert [set(cost.seconds) for cost in costs] == [{f"stage {number}"} for number in range(4)]
