"""Who is let in: hosts, origins, codes and sizes, and sockets that send rubbish."""

import hmac
import random

import pytest
from pages_made import HOST, ORIGIN, RATE, Answer, client, sound, until
from starlette.websockets import WebSocketDisconnect

from drumtune.web.app import UPLOAD_S
from drumtune.web.guard import MOST_JSON, MOST_UPLOAD, TRIES, WINDOW, Pairing


def test_the_page_and_its_parts_are_served_with_a_strict_policy(tmp_path):
    with client(tmp_path) as page:
        answer = page.get("/")
        assert answer.status_code == 200
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self';")
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        for part in ("page.js", "ear.js", "link.js", "pictures.js", "strip.js", "worklet.js", "style.css", "icon.svg"):
            assert page.get(f"/static/{part}").status_code == 200
            text = page.get(f"/static/{part}").text.replace("http://www.w3.org/", "")
            assert "http://" not in text
            assert "https://" not in text


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1:80", "localhost:8765.evil.example", ""])
def test_requests_under_a_foreign_name_are_refused(tmp_path, host):
    with client(tmp_path, host=host) as page:
        assert page.get("/").status_code == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://localhost:8765", "http://localhost:8766"])
def test_requests_and_sockets_of_other_sites_are_refused(tmp_path, origin):
    with client(tmp_path, origin=None) as page:
        headers = {"origin": origin}
        assert page.get("/", headers=headers).status_code == 403
        assert page.post("/api/drums", json={}, headers=headers).status_code == 403
        with pytest.raises(WebSocketDisconnect), page.websocket_connect("/live?drum=floor", headers=headers):
            pass


def test_a_socket_or_a_change_without_an_origin_is_refused(tmp_path):
    with client(tmp_path, origin=None) as page:
        assert page.get("/api/drums").status_code == 200
        assert page.post("/api/drums", json={"name": "x"}).status_code == 403
        with pytest.raises(WebSocketDisconnect), page.websocket_connect("/live?drum=floor"):
            pass


def test_scripts_of_other_sites_may_not_fetch_anything_but_a_link_to_the_page_may_be_followed(tmp_path):
    with client(tmp_path, origin=None) as page:
        cross = {"sec-fetch-site": "cross-site"}
        assert page.get("/static/page.js", headers=cross).status_code == 403
        assert page.get("/", headers=cross | {"sec-fetch-mode": "navigate"}).status_code == 200


@pytest.mark.parametrize(("path", "most"), [("/api/drums", MOST_JSON), ("/api/upload?drum=floor", MOST_UPLOAD)])
def test_a_body_stated_to_be_too_large_is_refused_unread(tmp_path, path, most):
    with client(tmp_path) as page:
        assert page.post(path, content=b"x", headers={"content-length": str(most + 1)}).status_code == 413
        assert page.post(path, content=b"x", headers={"content-length": str(1 << 30)}).status_code == 413


def test_a_body_that_goes_on_and_on_is_cut_off(tmp_path):
    def endless():
        for _ in range(3):
            yield b"x" * MOST_JSON

    with client(tmp_path) as page:
        assert page.post("/api/drums", content=endless()).status_code == 413
        assert page.get("/api/drums").status_code == 200


def test_the_name_of_an_upload_is_never_a_path(tmp_path):
    with client(tmp_path) as page:
        answer = page.post("/api/upload?drum=floor", files={"take": ("../../../etc/passwd", b"RIFF")})
        assert answer.json() == {"bytes": 4, "name": "upload"}


@pytest.mark.parametrize("path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/api/nothing"])
def test_nothing_else_is_served(tmp_path, path):
    with client(tmp_path) as page:
        assert page.get(path).status_code == 404


def paired():
    now, codes = [0.0], []
    return now, codes, Pairing(lambda: now[0], codes.append)


def test_with_pairing_only_the_pairing_page_is_served_until_the_code_is_shown(tmp_path):
    _, codes, pairing = paired()
    with client(tmp_path, pairing=pairing) as page:
        assert page.get("/", follow_redirects=False).headers["location"] == "/pair"
        assert page.get("/api/drums").status_code == 401
        assert page.get("/pair").status_code == 200
        with pytest.raises(WebSocketDisconnect), page.websocket_connect("/live?drum=floor"):
            pass
        answer = page.post("/pair", json={"code": codes[-1]})
        assert answer.status_code == 200
        cookie = answer.headers["set-cookie"].lower()
        assert all(word in cookie for word in ("httponly", "secure", "samesite=strict"))
        assert page.get("/api/drums").status_code == 200
        assert page.post("/pair", json={"code": codes[0]}).status_code == 403  # a code is spent once


def test_wrong_codes_close_the_door_for_a_while_even_for_the_right_one(tmp_path):
    now, codes, pairing = paired()
    with client(tmp_path, pairing=pairing) as page:
        wrong = f"{(int(codes[0]) + 1) % 10**8:08d}"
        answers = [page.post("/pair", json={"code": wrong}).status_code for _ in range(TRIES)]
        assert answers == [403] * (TRIES - 1) + [429]
        assert page.post("/pair", json={"code": codes[0]}).status_code == 429
        now[0] += WINDOW + 1
        assert page.post("/pair", json={"code": codes[0]}).status_code == 200


def test_a_code_that_is_no_text_is_a_wrong_one_like_any_other(tmp_path):
    _, _, pairing = paired()
    with client(tmp_path, pairing=pairing) as page:
        sent = {"content": b'{"code": "\\ud800"}', "headers": {"content-type": "application/json"}}
        answers = [page.post("/pair", **sent).status_code for _ in range(TRIES)]
    assert answers == [403] * (TRIES - 1) + [429]


def test_a_made_up_token_or_a_code_in_other_letters_does_not_pair():
    _, codes, pairing = paired()
    assert not pairing.knows("")
    assert not pairing.knows("ä" * 40)
    assert pairing.token_for("٣" * 8) is None
    assert pairing.token_for(codes[0]) is not None


def test_codes_and_tokens_are_compared_in_constant_time_and_every_token_is(monkeypatch):
    compared = []
    real = hmac.compare_digest
    monkeypatch.setattr(hmac, "compare_digest", lambda a, b: (compared.append((a, b)), real(a, b))[1])
    _, codes, pairing = paired()
    tokens = [pairing.token_for(codes[-1]) for _ in range(3)]
    assert [a for a, _ in compared] == [code.encode() for code in codes[:3]]
    compared.clear()
    assert pairing.knows(tokens[0])
    assert [b for _, b in compared] == [token.encode() for token in tokens]


def test_an_upload_is_read_by_the_worker_within_its_time_limit(tmp_path):
    calls = []

    def call(seconds, do, *words):
        calls.append((seconds, do))
        return do(*words)

    def upload(name, path, per_rod, turned):
        return Answer({}, (), "even")

    with client(tmp_path, call=call, upload=upload) as page:
        assert page.post("/api/upload?drum=floor", files={"take": ("a.wav", b"RIFF")}).status_code == 200
    assert calls == [(UPLOAD_S, upload)]


def test_ten_thousand_random_messages_are_refused_and_the_server_lives(tmp_path):
    rng = random.Random(7)
    words = ['{"do":"listen","rate":1e999}', '{"do":"tick"}', '{"do":["go"]}', "[" * 5000, '"x"', "{}", "null", "",
             '{"do":"go","rod":-1}', '{"do":"go","rod":true}', '{"do":"listen","rate":48000,"tune":7}']  # fmt: skip
    sent = 0
    with client(tmp_path) as page:
        while sent < 10000:
            with page.websocket_connect("/live?drum=floor") as socket:
                for _ in range(45):
                    if rng.random() < 0.5:
                        socket.send_text(rng.choice(words))
                    else:
                        socket.send_bytes(rng.randbytes(rng.choice((0, 3, 8, 12, 200))))
                    sent += 1
        with page.websocket_connect("/live?drum=floor") as socket:
            assert until(socket, lambda news: "state" in news)["state"]["drum"] == "floor"
            socket.send_text('{"do":"skip"}')
            assert until(socket, lambda news: news.get("say"))["say"][0]["text"] == "Rod 1 is left for later."


def test_a_page_that_only_sends_rubbish_is_let_go(tmp_path):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        for _ in range(60):
            socket.send_text("rubbish")
        with pytest.raises(WebSocketDisconnect):
            until(socket, lambda news: False)


@pytest.mark.parametrize("block", [sound(0, []), sound(0, [float("nan")]), sound(0, [1e9]), sound(1 << 60, [0.0]),
                                   sound(0, [0.0] * 20000), b"12345"])  # fmt: skip
def test_what_is_no_sound_is_refused_and_the_stream_goes_on(tmp_path, block):
    with client(tmp_path) as page, page.websocket_connect("/live?drum=floor") as socket:
        socket.send_json({"do": "listen", "rate": RATE, "tune": "a"})
        socket.send_bytes(block)
        error = until(socket, lambda news: "error" in news)["error"]
        assert error.startswith(("sound comes as a frame number", "these are no samples"))
        socket.send_bytes(sound(0, [0.0] * 3200))
        assert until(socket, lambda news: "level" in news)["got"] == 3200


def test_hosts_and_origins_are_those_the_tests_think():
    assert ORIGIN.endswith(HOST)
