"""A round over the socket: sound in, the round on; reloads, drops, restarts, other pages."""

import json

import numpy as np
import pytest
from pages_made import RATE, client, play, sound, taps, until

from drumtune.errors import TakeError


def listening(socket, tune="a"):
    socket.send_json({"do": "listen", "rate": RATE, "tune": tune})
    return until(socket, lambda news: news.get("ear"))["got"]


def counts(news):
    return news.get("state", {}).get("taps")


def test_a_round_over_the_socket_ends_with_moves_that_are_ticked_off(tmp_path):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        assert listening(socket) == 0
        play(socket, taps(4))
        found = until(socket, lambda news: news.get("reading"))["reading"]
        assert found == {"verdict": "uneven", "taps": [1, 1, 1, 1], "turned": None}
        state = until(socket, lambda news: news.get("state", {}).get("phase") == "moves")["state"]
        assert [move["words"] for move in state["moves"]] == ["rod 2: raise, 1/8 turn"]
        socket.send_json({"do": "tick", "order": 1})
        assert until(socket, lambda news: news.get("state", {}).get("ticked") == [1])["say"][0]["kind"] == "done"
        socket.send_json({"do": "next"})
        state = until(socket, lambda news: news.get("state", {}).get("number") == 2)["state"]
        assert state["turned"] == [0.0, 0.125, 0.0, 0.0]


def test_a_dropped_socket_sends_again_what_was_not_acknowledged_and_nothing_is_lost_or_doubled(tmp_path):
    samples = taps(4)
    cut = round(2.2 * RATE)
    with client(tmp_path) as page:
        with page.websocket_connect("/live?drum=floor") as socket:
            listening(socket)
            play(socket, samples[:cut])
            until(socket, lambda news: counts(news) == [1, 0, 0, 0])
        with page.websocket_connect("/live?drum=floor") as socket:
            got = listening(socket)
            assert 0 < got <= cut
            early = got - 1000
            play(socket, samples[early:], early)
            assert until(socket, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


def test_a_killed_server_goes_on_where_the_round_was(tmp_path):
    samples = taps(4)
    cut = round((0.6 + 1.5 + 1.48) * RATE)  # the second tap with all its ring, before the third
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples[:cut])
        until(socket, lambda news: counts(news) == [1, 1, 0, 0])
        until(socket, lambda news: news.get("got", 0) >= cut - 1600)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        state = until(socket, lambda news: "state" in news)["state"]
        assert (state["taps"], state["due"]) == ([1, 1, 0, 0], 3)
        assert not state["listening"]
        listening(socket)  # the same microphone, whose frames go on
        play(socket, samples[cut:], cut)
        assert until(socket, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


def test_a_tap_whose_ring_was_not_on_the_disk_is_asked_for_again_after_a_stop(tmp_path):
    samples = taps(4)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples[: round((0.6 + 1.5 + 0.6) * RATE)])
        until(socket, lambda news: counts(news) == [1, 1, 0, 0])
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        assert until(socket, lambda news: "state" in news)["state"]["taps"] == [1, 0, 0, 0]


def test_lost_frames_are_told_and_void_the_tap_they_cut(tmp_path):
    samples = taps(4)
    cut, back = round(0.8 * RATE), round(0.9 * RATE)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples[:cut])
        play(socket, samples[back:], back)
        said = until(socket, lambda news: any(m["kind"] == "wrong" for m in news.get("say", [])))["say"]
        assert any("interrupted" in m["text"] or "lost" in m["text"] for m in said)


def test_only_one_page_listens_and_all_pages_see_the_round(tmp_path):
    with (
        client(tmp_path) as page,
        page.websocket_connect("/live?drum=floor") as first,
        page.websocket_connect("/live?drum=floor") as second,
    ):
        listening(first)
        listening(second, "b")
        assert until(first, lambda news: "deaf" in news)["deaf"] == "another page listens now"
        first.send_bytes(sound(0, np.zeros(100)))
        assert until(first, lambda news: "error" in news)["error"] == "this page does not listen"
        play(second, taps(1))
        assert until(first, lambda news: counts(news) == [1, 0, 0, 0])


def test_eight_pages_at_once_are_all_served(tmp_path):
    with client(tmp_path) as page:
        sockets = [page.websocket_connect("/live?drum=floor").__enter__() for _ in range(8)]
        sockets[0].send_json({"do": "skip"})
        for socket in sockets:
            assert until(socket, lambda news: news.get("state", {}).get("later") == [1])
        for socket in sockets:
            socket.__exit__(None, None, None)


def test_a_take_that_allows_no_answer_keeps_its_taps_and_says_why(tmp_path):
    def read(*words):
        raise TakeError("the microphone moved: tap again", reason="doubtful")

    with client(tmp_path, read=read) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, taps(4))
        state = until(socket, lambda news: news.get("state", {}).get("trouble"))["state"]
        assert (state["trouble"], state["taps"]) == ("the microphone moved: tap again", [1, 1, 1, 1])


def test_the_ring_of_the_last_hit_is_read_from_the_sound_after_it(tmp_path):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        socket.send_json({"do": "ring"})
        assert "nothing was struck" in until(socket, lambda news: "ring" in news)["ring"]["trouble"]
        listening(socket)
        play(socket, taps(1))
        until(socket, lambda news: counts(news) == [1, 0, 0, 0])
        socket.send_json({"do": "ring"})
        assert "samples" in until(socket, lambda news: "ring" in news)["ring"]["text"]


def test_a_drum_that_is_not_there_is_said_and_the_socket_closed(tmp_path):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=../../etc") as socket:
        assert socket.receive_json() == {"error": "the log has no drum called '../../etc'", "final": True}


def test_an_upload_stands_in_for_a_round(tmp_path):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        assert page.post("/api/upload?drum=floor", files={"take": ("a.wav", b"xyz")}).json()["bytes"] == 3
        state = until(socket, lambda news: news.get("state", {}).get("phase") == "moves")["state"]
        assert (state["verdict"], state["moves"]) == ("even", [])


def test_questions_are_answered_and_troubles_are_one_line(tmp_path):
    with client(tmp_path) as page:
        assert page.get("/api/drums").json()["drums"][0]["name"] == "floor"
        assert page.post("/api/drums", json={"name": "tom"}).json() == {"name": "tom"}
        assert page.get("/api/pair?drum=floor").json() == {"text": "pair"}
        answer = page.post("/api/drums", content="[1]")
        assert (answer.status_code, json.loads(answer.text)) == (422, {"trouble": "a JSON object was expected"})


@pytest.mark.parametrize("rate", [0, 1e6, -1])
def test_a_microphone_without_a_rate_is_refused(tmp_path, rate):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        socket.send_json({"do": "listen", "rate": rate, "tune": "a"})
        assert "rate" in until(socket, lambda news: "error" in news)["error"]
