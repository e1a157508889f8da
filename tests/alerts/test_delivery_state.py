"""Who has been told what, by which message, and when it is tried again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from rig.alerts.delivery_state import (
    FLUSHES_PER_HOUR,
    LONGEST_WAIT_NS,
    MOST_WAITING,
    SEVERE_PER_HOUR,
    Batch,
    DeliveryState,
)
from rig.alerts.facts import Fact
from rig.alerts.severity import Severity
from rig.domain.jsonmap import plain
from rig.rigfile.alerts_section import Alerts, CommandNotifier, Notifier
from tests.alerts.makers import HOUR, MINUTE, SECOND, START_NS

NOW = START_NS


def notifier(**words: Any) -> Notifier:
    return Notifier(command=CommandNotifier(run=("/bin/true",)), **words)


def state(notifiers: Mapping[str, Notifier] | None = None, **words: Any) -> DeliveryState:
    return DeliveryState(
        Alerts(notifiers=dict(notifiers or {"phone": notifier()}), **{"gather_s": 0.0, **words}), "run-one"
    )


def fact(number: int, **words: Any) -> Fact:
    usual: dict[str, Any] = {
        "what": "new", "category": "limits", "group": f"A{number}", "t_ns": NOW + number, "since_ns": NOW,
        "headline": f"fact {number}", "queued_ns": NOW,
    }  # fmt: skip
    return Fact(number=number, **{**usual, **words})


def death(number: int, **words: Any) -> Fact:
    usual: dict[str, Any] = {"category": "failed", "severity": Severity.FAILED}
    return fact(number, **{**usual, **words})


def seen(*facts: Fact, position: tuple[int, int] = (1, 1)) -> dict[str, Any]:
    return {
        "r": "seen", "facts": [plain(one) for one in facts], "position": list(position),
        "next": 1000, "incidents": {},
    }  # fmt: skip


def send(book: DeliveryState, now_ns: int, name: str = "phone", *, flush: bool = False) -> Batch:
    batch = book.due(name, now_ns, flush=flush)
    assert batch is not None
    book.apply(batch.to_record())
    return batch


def sent(now_ns: int, name: str = "phone", batch: Batch | None = None) -> dict[str, Any]:
    return {"r": "sent", "way": name, "t": now_ns, **(batch.lane_record() if batch else {})}


def failed(now_ns: int, *, refused: bool, name: str = "phone", batch: Batch | None = None) -> dict[str, Any]:
    lane = batch.lane_record() if batch else {}
    return {"r": "failed", "way": name, "t": now_ns, "error": "no", "refused": refused, **lane}


def numbers(batch: Batch | None) -> list[int]:
    return [one.number for one in batch.facts] if batch else []


def test_a_first_alert_waits_for_those_that_belong_to_it() -> None:
    book = state(gather_s=20.0)
    book.apply(seen(fact(1)))
    assert book.due("phone", NOW + 19 * SECOND) is None
    assert numbers(book.due("phone", NOW + 20 * SECOND)) == [1]


def test_few_alerts_come_unit_by_unit_and_many_in_one_digest_in_order() -> None:
    book = state(digest_after=5)
    book.apply(seen(*(fact(n, group=f"A{n % 2}") for n in range(1, 6))))
    assert numbers(send(book, NOW)) == [1, 3, 5]
    book.apply(sent(NOW))
    assert numbers(send(book, NOW)) == [2, 4]
    book.apply(sent(NOW))
    book.apply(seen(*(fact(n, t_ns=NOW - n) for n in range(6, 12))))
    assert numbers(send(book, NOW)) == [11, 10, 9, 8, 7, 6]
    book.apply(sent(NOW))
    assert book.facts == {}


def test_a_refused_parcel_is_dissolved_and_its_facts_travel_with_the_later_ones() -> None:
    book = state()
    book.apply(seen(fact(1)))
    first = send(book, NOW)
    book.apply(failed(NOW, refused=True))
    book.apply(seen(fact(2)))
    second = send(book, NOW + HOUR)
    assert numbers(second) == [1, 2]
    assert first.key != second.key


def test_a_parcel_that_may_have_arrived_goes_again_as_it_was_under_the_same_key() -> None:
    book = state()
    book.apply(seen(fact(1)))
    first = send(book, NOW)
    book.apply(failed(NOW, refused=False))
    book.apply(seen(fact(2)))
    again = send(book, NOW + HOUR)
    assert (again.key, numbers(again)) == (first.key, [1])
    book.apply(sent(NOW + HOUR))
    assert numbers(send(book, NOW + HOUR)) == [2]


def test_tries_go_on_without_end_at_waits_that_double_up_to_a_quarter_of_an_hour() -> None:
    book = state()
    book.apply(seen(fact(1)))
    now, waits = NOW, []
    for _ in range(300):
        send(book, now)
        book.apply(failed(now, refused=True))
        begin = now
        while book.due("phone", now) is None:
            now += SECOND
        waits.append((now - begin) // SECOND)
    assert waits[:9] == [5, 10, 20, 40, 80, 160, 320, 640, 900]
    assert set(waits[9:]) == {900}
    assert now - NOW > 3 * 24 * HOUR


def test_a_clock_that_is_set_back_delays_nothing() -> None:
    book = state(gather_s=20.0)
    book.apply(seen(fact(1)))
    send(book, NOW + 20 * SECOND)
    book.apply(failed(NOW + 20 * SECOND, refused=True))
    assert numbers(book.due("phone", NOW - 365 * 24 * HOUR)) == [1]


def test_more_than_the_most_of_an_hour_waits_and_then_comes_in_one_digest_that_says_so() -> None:
    book = state(per_hour=3)
    lasts = []
    for n in range(1, 4):
        book.apply(seen(fact(n)))
        lasts.append(send(book, NOW + n * MINUTE).last)
        book.apply(sent(NOW + n * MINUTE))
    assert lasts == [False, False, True]
    book.apply(seen(fact(4), fact(5, group="A9")))
    assert book.due("phone", NOW + 59 * MINUTE) is None
    digest = send(book, NOW + 62 * MINUTE)
    assert (numbers(digest), digest.held) == ([4, 5], 2)


def test_each_way_tells_its_own_categories_and_fails_alone() -> None:
    book = state({"phone": notifier(tell=("limits",)), "desk": notifier(tell=("limits", "early"))})
    book.apply(seen(fact(1), fact(2, category="early")))
    assert numbers(send(book, NOW, "phone")) == [1]
    book.apply(failed(NOW, refused=True, name="phone"))
    assert numbers(send(book, NOW, "desk")) == [1]
    book.apply(sent(NOW, "desk"))
    assert numbers(send(book, NOW, "desk")) == [2]
    book.apply(sent(NOW, "desk"))
    assert list(book.facts) == [1]


def test_what_only_one_way_or_all_but_one_should_tell_goes_that_way() -> None:
    book = state({"phone": notifier(), "desk": notifier()})
    book.apply(seen(fact(1, only_by="desk", category="ways"), fact(2, not_by="desk", category="ways")))
    assert numbers(book.due("desk", NOW)) == [1]
    assert numbers(book.due("phone", NOW)) == [2]


def test_a_test_message_that_arrived_is_remembered_with_its_time() -> None:
    book = state()
    book.apply(seen(fact(1, what="test", only_by="phone", category="ways")))
    assert (book.queues["phone"].tested_ns, book.queues["phone"].test_ok_ns) == (NOW, 0)
    send(book, NOW)
    book.apply(sent(NOW + SECOND))
    assert book.queues["phone"].test_ok_ns == NOW + SECOND


def test_memory_is_bounded_and_what_is_left_out_is_counted() -> None:
    book = state()
    for n in range(1, MOST_WAITING + 11):
        book.apply(seen(fact(n)))
    batch = book.due("phone", NOW)
    assert batch is not None
    assert (len(batch.facts), batch.dropped) == (MOST_WAITING, 10)
    assert (batch.facts[0].number, batch.facts[-1].number) == (1, MOST_WAITING + 10)
    assert len(book.facts) == MOST_WAITING


@given(st.lists(st.sampled_from(["fact", "ok", "refused", "unknown", "restart"]), max_size=60))
def test_whatever_happens_each_fact_is_delivered_and_doubled_only_under_the_same_key(
    steps: list[str],
) -> None:
    book, now, number = state(), NOW, 0
    arrived: dict[str, list[int]] = {}
    made: list[int] = []
    for step in [*steps, "ok", "ok"]:
        now += LONGEST_WAIT_NS
        if step == "fact":
            number += 1
            made.append(number)
            book.apply(seen(fact(number)))
        elif step == "restart":
            again = state()
            again.apply(book.to_record())
            assert again.to_record() == book.to_record()
            book = again
        elif book.due("phone", now):
            batch = send(book, now)
            if step != "refused":
                assert arrived.setdefault(batch.key, numbers(batch)) == numbers(batch)
            book.apply(sent(now) if step == "ok" else failed(now, refused=step == "refused"))
    while book.due("phone", now):
        batch = send(book, now)
        assert arrived.setdefault(batch.key, numbers(batch)) == numbers(batch)
        book.apply(sent(now))
        now += HOUR
    assert sorted(n for batch in arrived.values() for n in batch) == made


def test_a_failure_waits_neither_for_others_nor_for_the_hourly_limit_and_uses_none_of_it_up() -> None:
    book = state(per_hour=2, gather_s=20.0)
    for n in (1, 2):
        now = NOW + n * MINUTE
        book.apply(seen(fact(n, queued_ns=now - MINUTE)))
        send(book, now)
        book.apply(sent(now))
    now = NOW + 5 * MINUTE
    book.apply(seen(fact(3, queued_ns=NOW)))
    assert book.due("phone", now) is None
    assert book.held_back("phone", now) == (1, NOW + MINUTE + HOUR)
    book.apply(seen(death(4, queued_ns=now)))
    batch = send(book, now)
    assert (numbers(batch), batch.severe) == ([4], True)
    book.apply(sent(now, batch=batch))
    assert book.due("phone", NOW + HOUR + MINUTE - 1) is None
    assert numbers(book.due("phone", NOW + HOUR + MINUTE)) == [3]


def test_a_failure_takes_along_what_waits_about_its_unit_and_leaves_the_rest() -> None:
    book = state(gather_s=20.0)
    book.apply(seen(fact(1, group="A2"), fact(2, group="A3"), death(3, group="A2")))
    batch = send(book, NOW)
    assert numbers(batch) == [1, 3]
    book.apply(failed(NOW, refused=True, batch=batch))
    # dissolved: each is back in its own lane, and what is severe still takes its unit's along
    assert numbers(book.due("phone", NOW + MINUTE)) == [1, 3]
    batch = send(book, NOW + MINUTE)
    book.apply(sent(NOW + MINUTE, batch=batch))
    assert numbers(book.due("phone", NOW + MINUTE)) == [2]


def test_a_failure_passes_a_batch_of_unknown_outcome_which_keeps_its_key() -> None:
    book = state()
    book.apply(seen(fact(1, group="A2")))
    first = send(book, NOW)
    book.apply(failed(NOW, refused=False))
    book.apply(seen(death(2, group="A2")))
    batch = send(book, NOW)  # although the other lane waits before its next try
    assert numbers(batch) == [2]
    book.apply(sent(NOW, batch=batch))
    again = send(book, NOW + MINUTE)
    assert (again.key, numbers(again)) == (first.key, [1])


def test_a_failure_of_unknown_outcome_goes_again_under_its_key_and_the_next_one_follows() -> None:
    book = state()
    book.apply(seen(death(1)))
    first = send(book, NOW)
    book.apply(failed(NOW, refused=False, batch=first))
    assert book.due("phone", NOW + SECOND) is None
    book.apply(seen(death(2)))
    again = send(book, NOW + SECOND)  # the next failure lets it be tried at once
    assert (again.key, numbers(again)) == (first.key, [1])
    book.apply(sent(NOW + SECOND, batch=again))
    assert numbers(book.due("phone", NOW + SECOND)) == [2]


def test_waits_between_tries_of_a_failure_grow_to_a_minute_only() -> None:
    book = state()
    book.apply(seen(death(1)))
    now, waits = NOW, []
    for _ in range(8):
        batch = send(book, now)
        book.apply(failed(now, refused=True, batch=batch))
        begin = now
        while book.due("phone", now) is None:
            now += SECOND
        waits.append((now - begin) // SECOND)
    assert waits == [5, 10, 20, 40, 60, 60, 60, 60]


def test_a_flapping_failure_ends_at_its_own_hourly_limit_and_then_comes_in_one_digest() -> None:
    book = state(per_hour=2)
    for n in range(1, SEVERE_PER_HOUR + 1):
        book.apply(seen(death(n)))
        batch = send(book, NOW + n)
        assert batch.last == (n == SEVERE_PER_HOUR)
        book.apply(sent(NOW + n, batch=batch))
    book.apply(seen(death(100), death(101)))
    assert book.due("phone", NOW + HOUR) is None
    assert book.held_back("phone", NOW + HOUR) == (2, NOW + 1 + HOUR)
    digest = send(book, NOW + 1 + HOUR)
    assert (numbers(digest), digest.held) == ([100, 101], 2)


def test_at_a_stop_all_that_waits_goes_in_one_digest_whatever_it_waits_for() -> None:
    book = state(per_hour=2, gather_s=20.0)
    for n in (1, 2):
        book.apply(seen(fact(n)))
        send(book, NOW + n * MINUTE)
        book.apply(sent(NOW + n * MINUTE))
    book.apply(seen(*(fact(n, queued_ns=NOW + 3 * MINUTE) for n in range(3, 63))))
    assert book.due("phone", NOW + 4 * MINUTE) is None
    digest = send(book, NOW + 4 * MINUTE, flush=True)
    assert numbers(digest) == list(range(3, 63))
    book.apply(sent(NOW + 4 * MINUTE))
    assert book.held_back("phone", NOW + 4 * MINUTE) == (0, 0)
    assert book.due("phone", NOW + 4 * MINUTE, flush=True) is None


def test_stops_in_a_row_send_no_more_digests_an_hour_than_their_limit() -> None:
    book = state(gather_s=3600.0)
    for n in range(1, FLUSHES_PER_HOUR + 1):
        book.apply(seen(fact(n)))
        assert numbers(send(book, NOW + n, flush=True)) == [n]
        book.apply(sent(NOW + n))
    book.apply(seen(fact(100, queued_ns=NOW + MINUTE)))
    assert book.due("phone", NOW + HOUR, flush=True) is None
    assert numbers(book.due("phone", NOW + HOUR + 1, flush=True)) == [100]


def test_a_digest_at_a_stop_that_was_refused_does_not_count_and_parts_again() -> None:
    book = state()
    book.apply(seen(death(1), *(fact(n) for n in (2, 3))))
    book.queues["phone"].severe.sent_ns = [NOW] * SEVERE_PER_HOUR
    batch = send(book, NOW, flush=True)
    assert (numbers(batch), batch.severe) == ([1, 2, 3], False)
    book.apply(failed(NOW, refused=True, batch=batch))
    assert book.queues["phone"].flushed_ns == []
    assert (book.queues["phone"].severe.waiting, book.queues["phone"].routine.waiting) == ([1], [2, 3])


def test_an_outbox_from_before_there_were_lanes_reads() -> None:
    """Keys as outboxes of the landed format have them; the values are made up."""
    queue = {
        "waiting": [2], "flight": [1], "uncertain": 1, "held": 0, "dropped": 3, "sent_ns": [NOW],
        "failures": 2, "failing_since_ns": NOW, "error": "no", "delivered_ns": NOW, "tested_ns": 5,
        "test_ok_ns": 6,
    }  # fmt: skip
    facts = [plain(fact(n)) for n in (1, 2)]
    for one in facts:
        del one["severity"], one["goes_on"], one["first_out"]
    book = state()
    book.apply(
        {"r": "state", "facts": facts, "queues": {"phone": queue}, "next": 9, "position": [1, 7],
         "incidents": {}}
    )  # fmt: skip
    kept = book.to_record()["queues"]["phone"]
    assert {name: kept[name] for name in queue} == queue
    assert kept["severe"]["waiting"] == []
    assert numbers(book.due("phone", NOW)) == [1]


@given(
    st.lists(st.sampled_from(["fact", "ok", "refused", "unknown", "restart", "wait"]), max_size=60),
    st.integers(0, 1000),
)
def test_whatever_chatter_precedes_a_failure_is_in_the_first_try_after_it(
    steps: list[str], seconds: int
) -> None:
    """Refusals, unknown outcomes, waits between tries, an hourly limit that is used up: none delays it."""
    book, now, number = state(per_hour=2), NOW, 0
    for step in steps:
        now += seconds * SECOND
        if step == "fact":
            number += 1
            book.apply(seen(fact(number, group=f"A{number % 3}", queued_ns=now)))
        elif step == "restart":
            again = state(per_hour=2)
            again.apply(book.to_record())
            book = again
        elif step != "wait" and book.due("phone", now):
            batch = send(book, now)
            book.apply(sent(now) if step == "ok" else failed(now, refused=step == "refused", batch=batch))
    book.apply(seen(death(number + 1, group="A1", queued_ns=now)))
    assert number + 1 in numbers(book.due("phone", now))
