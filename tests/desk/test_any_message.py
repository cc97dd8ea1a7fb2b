"""Whatever a page sends, the desk answers with an event or one sentence; what once did worse is kept."""

import json
import logging
from contextlib import suppress

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from websockets.sync.client import connect

from tapscan.capture import Session
from tapscan.desk import collecting
from tapscan.errors import TapscanError
from tapscan.records import open_inspection
from tests.desk.test_collecting import collecting as open_line
from tests.desk.test_collecting import wait_until_free

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
DEEP = "[" * 100_000
ORDERS = [
    DEEP,
    '{"command": ' + DEEP,
    '{"command": ["undo"]}',
    '{"command": {"undo": 1}}',
    '{"command": null}',
    '{"command": "go to", "point": "\\ud800"}',
    '{"command": "\\ud800"}',
    '{"command": "go to", "point": ["CS-01-01"]}',
    '{"command": ' + "9" * 401 + "}",
    '{"command": ' + "9" * 5000 + "}",
    "null",
    '"undo"',
]
BEGINNINGS = [
    DEEP,
    "9" * 401,
    '{"zones": ["CS"], "there_and_back": false, "sample_rate_hz": ' + "9" * 401 + "}",
    '{"zones": ["CS"], "there_and_back": false, "sample_rate_hz": -' + "9" * 401 + "}",
    '{"zones": ["CS"], "there_and_back": false, "sample_rate_hz": 1e999}',
    '{"zones": ["CS"], "there_and_back": false, "sample_rate_hz": true}',
    '{"zones": ["\\ud800"], "there_and_back": false, "sample_rate_hz": 48000}',
    '{"zones": [["CS"]], "there_and_back": false, "sample_rate_hz": 48000}',
    '{"zones": ["CS"], "there_and_back": false, "input": "\\ud800"}',
]


def test_odd_orders_get_a_sentence_and_no_traceback(desk, caplog):
    caplog.set_level(logging.ERROR)
    for order in ORDERS:
        with open_line(desk) as page:
            page.line.send(order)
            result = page.until("fault")["sentence"]
            assert "does not understand" in result
        wait_until_free(desk)
    assert caplog.records == []


def test_odd_beginnings_get_a_sentence_and_no_traceback(desk, caplog):
    caplog.set_level(logging.ERROR)
    address = desk.origin.replace("http", "ws") + "/capture"
    for beginning in BEGINNINGS:
        with connect(address, origin=desk.origin, additional_headers={"Cookie": desk.cookie}) as line:
            line.send(beginning)
            result = json.loads(line.recv(timeout=10))
            assert result["event"] == "fault"
            assert result["sentence"].endswith(")")
        wait_until_free(desk)
    assert caplog.records == []


@settings(max_examples=300, deadline=2000)
@given(message=JSON, name=st.sampled_from(["zones", "there_and_back", "sample_rate_hz", "input"]))
def test_any_beginning(message, name):
    whole = {"zones": ["CS"], "there_and_back": False, "sample_rate_hz": 48_000}
    for document in (message, {**whole, name: message}):
        with suppress(TapscanError):
            rate_hz, given_settings = collecting._begin(collecting._object(json.dumps(document)))
            assert isinstance(rate_hz, float | str)
            assert set(given_settings) == {"zones", "there_and_back"}


@settings(max_examples=120, deadline=5000, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    text=st.one_of(st.text(max_size=40), JSON.map(json.dumps), st.sampled_from(ORDERS)),
    block=st.binary(max_size=4000),
)
@example(text="", block=np.full(4000, np.inf, "<f4").tobytes())
@example(text="", block=np.tile(np.array([3e38, -3e38], "<f4"), 9000).tobytes())
@example(text="", block=np.full(48_000, np.nan, "<f4").tobytes())
def test_any_message(folder, text, block):
    with Session(open_inspection(folder), 48_000.0) as session:
        for message in ({"text": text}, {"bytes": block}):
            with suppress(TapscanError):
                documents = collecting._documents(collecting._step(session, message))
                json.dumps(documents, ensure_ascii=False, default=str).encode("utf-8")
