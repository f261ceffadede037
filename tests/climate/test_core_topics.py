"""Topics name one sender each; answers name what became of every message."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.climate.core import topics
from rimekeep.climate.core.batch import Outcome, Taken, Word
from rimekeep.climate.core.topics import Answer, Message, Sender
from rimekeep.errors import Invalid, RimekeepError

names = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=30)


@given(names, names)
def test_every_name_has_one_topic_and_it_leads_back(site_code: str, gateway: str) -> None:
    sender = Sender(site_code, gateway)
    topic = topics.readings_topic("rimekeep", sender)
    assert topics.sender_of(topic) == sender
    # MQTT 5.0, 4.7: a topic of five levels, none of them a wildcard, so that the filter admits it.
    levels = topic.split("/")
    assert len(levels) == len(topics.readings_filter("rimekeep").split("/")) == 5
    assert not set("+#") & set(topic)
    assert topics.answers_topic(topic).split("/") == [*levels[:3], "answers", levels[4]]


@pytest.mark.parametrize(
    ("topic", "field"),
    [
        ("rimekeep/1/NORTH/readings/", "topic.gateway"),
        ("rimekeep/1//readings/gw", "topic.site"),
        ("rimekeep/1/NORTH/readings/gw%2d1", "topic.gateway"),
        ("rimekeep/1/N%2f2/readings/gw", "topic.site"),
        ("rimekeep/1/NORTH/readings/100%", "topic.gateway"),
        ("rimekeep/1/NORTH/readings/%FF", "topic.gateway"),
    ],
)
def test_a_name_written_otherwise_is_refused(topic: str, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        topics.sender_of(topic)
    assert (caught.value.code, caught.value.faults[0].field) == ("topic", field)
    assert "%2F" in caught.value.faults[0].mend


def test_the_mark_of_a_message_is_the_sha_256_of_its_payload() -> None:
    # FIPS 180-4's example: the digest of the one-block message "abc".
    message = Message("rimekeep/1/NORTH/readings/gw", b"abc")
    assert message.mark == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_an_answer_names_every_refusal_however_many() -> None:
    bad = Outcome(Word.UNKNOWN_SENSOR, "sensor", "There is none.", "Register it.")
    answer = Answer("m", Taken(2_400, frozenset([0]), dict.fromkeys(range(1, 2_400, 2), bad), is_pack=True))
    parts = [json.loads(part) for part in topics.told(answer)]
    assert [(part["part"], part["parts"]) for part in parts] == [(1, 3), (2, 3), (3, 3)]
    assert {(part["message"], part["state"], part["stored"], part["refused"]) for part in parts} == {
        ("m", "taken", 1_199, 1_200)
    }
    places = [fault["index"] for part in parts for fault in part["faults"]]
    assert places == list(range(1, 2_400, 2))
    assert all(len(part) < 256_000 for part in topics.told(answer))


def test_a_whole_refusal_and_a_failure_are_told_apart() -> None:
    (refused,) = (
        json.loads(part) for part in topics.told(Answer("m", against=topics.unknown(Sender("N", "g"))))
    )
    assert (refused["state"], refused["code"]) == ("refused", "unknown-gateway")
    assert refused["faults"][0]["mend"]
    error = RimekeepError("internal-error", "It failed.")
    (failed,) = (json.loads(part) for part in topics.told(Answer("m", against=error, is_failure=True)))
    assert (failed["state"], failed["detail"], failed["faults"]) == ("failed", "It failed.", [])
