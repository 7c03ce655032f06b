"""A round over the socket: sound in, the round on; reloads, drops, restarts, other pages."""

import json
import threading
from contextlib import contextmanager

import numpy as np
import pytest
from pages_made import RATE, Answer, client, play, sound, taps, until

from drumtune.advice.turns import Move
from drumtune.errors import DrumtuneError, TakeError
from drumtune.files import written
from drumtune.session import Session


def listening(socket, tune="a"):
    socket.send_json({"do": "listen", "rate": RATE, "tune": tune})
    return until(socket, lambda news: news.get("ear"))["got"]


def fed(session, samples):
    session.listen(RATE)
    for start in range(0, samples.size, 1600):
        session.feed(samples[start : start + 1600])
    return session


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


def played_until(page, samples, cut):
    """Play up to a sample; the frame from which on a page sends again what it kept."""
    with page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples[:cut])
        return until(socket, lambda news: news.get("got", 0) > cut - 3200)["safe"]


@pytest.mark.parametrize("after", [0.05, 0.3, 0.6, 1.0, 1.48, 1.5, 1.6])
def test_a_killed_server_counts_every_tap_once_when_the_page_sends_again_what_it_kept(tmp_path, after):
    """Cut off `after` s into the third tap: not judged yet, its ring half on the disk, or all of it there; or so that
    what is sent again begins just before or in the second."""
    samples = taps(4)
    cut = round((0.6 + 2 * 1.5 + after) * RATE) // 1600 * 1600
    takes = []

    def read(name, take, turned):
        takes.append(take)
        return Answer({"verdict": "even"}, (), "even")

    with client(tmp_path, read=read) as page:
        safe = played_until(page, samples, cut)
    with client(tmp_path, read=read) as page, page.websocket_connect("/live?drum=floor") as socket:
        state = until(socket, lambda news: "state" in news)["state"]
        assert sum(state["taps"]) in (2, 3)
        assert not state["listening"]
        listening(socket)  # the same microphone, whose frames go on
        play(socket, samples[safe:], safe)
        assert until(socket, lambda news: news.get("reading"))
    whole = fed(Session(4, 1), samples)
    found, wanted = ([taps[0].onset for taps in take.groups] for take in (takes[0], whole.take()))
    assert [len(taps) for taps in takes[0].groups] == [1, 1, 1, 1]
    assert np.allclose(np.diff(found), np.diff(wanted), rtol=0, atol=0.5 / RATE)
    start = round((wanted[2] - 0.1) * RATE)
    part = takes[0].samples[round((found[2] - wanted[2]) * RATE) + start :][: round(1.2 * RATE)]
    assert np.abs(part - whole.take().samples[start : start + part.size]).max() < 1e-6  # the tap that was cut is whole


def test_what_was_tapped_while_the_server_was_away_is_counted_too(tmp_path):
    samples = taps(4)
    with client(tmp_path) as page:
        safe = played_until(page, samples, round(1.0 * RATE))
    assert safe == 0
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples)
        assert until(socket, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


def test_a_page_that_lost_its_sound_is_told_which_tap_to_repeat(tmp_path):
    samples = taps(4)
    with client(tmp_path) as page:
        played_until(page, samples, round((0.6 + 1.5 + 0.7) * RATE))
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        state = until(socket, lambda news: "state" in news)["state"]
        assert (state["taps"], state["due"]) == ([1, 0, 0, 0], 2)
        listening(socket, "another")
        play(socket, taps(3))
        assert until(socket, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


def test_taps_sent_again_do_not_count_in_a_round_that_was_begun_after_them(tmp_path):
    samples = taps(4)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples)
        until(socket, lambda news: news.get("state", {}).get("phase") == "moves")
        socket.send_json({"do": "next"})
        until(socket, lambda news: news.get("state", {}).get("number") == 2)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, samples[-80000:], samples.size - 80000)  # the last taps of the round before
        play(socket, taps(1), samples.size)
        state = until(socket, lambda news: counts(news) == [1, 0, 0, 0])["state"]
        assert len(state["strokes"]) == 1


def test_a_reading_that_was_under_way_is_begun_again_by_the_first_page_that_opens(tmp_path):
    session = fed(Session(4, 1, tmp_path / "round"), taps(4))
    assert session.state.phase == "reading"
    session.keep()
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        assert until(socket, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


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


def test_a_page_that_was_displaced_while_it_was_away_does_not_take_the_round_back(tmp_path):
    samples = taps(4)
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as second:
        with page.websocket_connect("/live?drum=floor") as first:
            listening(first, "a")
            play(first, samples[: round(1.9 * RATE)])
            until(second, lambda news: news.get("got", 0) > 1.65 * RATE)
        listening(second, "b")
        with page.websocket_connect("/live?drum=floor") as first:  # by itself, with the microphone it had
            first.send_json({"do": "listen", "rate": RATE, "tune": "a"})
            assert until(first, lambda news: "deaf" in news)["deaf"] == "another page listens now"
            play(second, samples[round(1.7 * RATE) :])
            assert until(first, lambda news: news.get("reading"))["reading"]["taps"] == [1, 1, 1, 1]


def test_a_recording_handed_in_follows_on_the_moves_that_were_ticked(tmp_path):
    turned = []

    def upload(name, path, per_rod, made):
        turned.append(made)
        return Answer({"bytes": 1}, (), "even")

    with client(tmp_path, upload=upload) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, taps(4))
        until(socket, lambda news: news.get("state", {}).get("phase") == "moves")
        page.post("/api/upload?drum=floor", files={"take": ("a.wav", b"xyz")})  # nothing ticked: as advised
    other = tmp_path / "other"
    other.mkdir()
    with client(other, upload=upload) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, taps(4))
        until(socket, lambda news: news.get("state", {}).get("phase") == "moves")
        socket.send_json({"do": "tick", "order": 1})
        until(socket, lambda news: news.get("state", {}).get("ticked") == [1])
        page.post("/api/upload?drum=floor", files={"take": ("a.wav", b"xyz")})
    assert turned == [None, (0.0, 0.125, 0.0, 0.0)]


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


@pytest.mark.parametrize("refused", ["reading.json", "round.json"])
def test_a_disk_that_takes_no_more_is_told_and_the_moves_come_all_the_same(tmp_path, monkeypatch, refused):
    """Writing fails from the moment the reading is there, as on a disk that is full."""
    full = []

    @contextmanager
    def refusing(path):
        if full and path.name == refused:
            raise DrumtuneError(f"cannot write {path.name}: No space left on device")
        with written(path) as temporary:
            yield temporary

    def read(name, take, turned):
        full.append(True)
        return Answer({"verdict": "uneven"}, (Move(1, 2, "raise", 0.125),), "uneven")

    monkeypatch.setattr("drumtune.web.drumside.written", refusing)
    monkeypatch.setattr("drumtune.session.written", refusing)
    with client(tmp_path, read=read) as page, page.websocket_connect("/live?drum=floor") as socket:
        listening(socket)
        play(socket, taps(4))
        assert until(socket, lambda news: news.get("reading"))["reading"] == {"verdict": "uneven"}
        news = until(socket, lambda news: news.get("state", {}).get("phase") == "moves")
        assert (news["state"]["busy"], len(news["state"]["moves"])) == ("", 1)
        assert f"cannot write {refused}: No space left" in news["say"][-1]["text"]


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


def test_one_recording_is_read_at_a_time_so_that_a_worker_stays_free(tmp_path):
    begun, done = threading.Event(), threading.Event()

    def slow(name, path, per_rod, turned):
        begun.set()
        assert done.wait(30.0)
        return Answer({"bytes": 1}, (), "even")

    with client(tmp_path, upload=slow) as page:
        first = threading.Thread(target=page.post, args=("/api/upload?drum=floor",),
                                 kwargs={"files": {"take": ("a.wav", b"xyz")}})  # fmt: skip
        first.start()
        assert begun.wait(30.0)
        answer = page.post("/api/upload?drum=floor", files={"take": ("b.wav", b"xyz")})
        done.set()
        first.join()
        assert (answer.status_code, "another recording" in answer.json()["trouble"]) == (422, True)
        assert page.post("/api/upload?drum=floor", files={"take": ("c.wav", b"xyz")}).status_code == 200


def test_the_tables_of_a_drum_are_built_when_its_page_opens(tmp_path):
    built, ready = [], threading.Event()

    def prepare(name):
        built.append(name)
        ready.set()

    with client(tmp_path, prepare=prepare) as page, page.websocket_connect("/live?drum=floor"):
        assert ready.wait(30.0)
    assert built == ["floor"]


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
