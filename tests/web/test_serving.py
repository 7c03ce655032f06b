"""How the server is bound and set up, without serving: the loopback address unless the network is let in."""

import ipaddress

import pytest
import uvicorn
from pages_made import work

from drumtune.errors import DrumtuneError
from drumtune.web import serving
from drumtune.web.drumside import MOST_FRAMES


@pytest.fixture
def started(monkeypatch, tmp_path):
    """Run the server up to where it would serve; what it was given: settings of uvicorn, address, what was told."""

    def run(*, lan=False, port=0, drum=None):
        seen, told = {}, []

        class Server:
            def __init__(self, config):
                seen["config"] = config

            def run(self, sockets):
                seen["address"] = sockets[0].getsockname()

        monkeypatch.setattr(uvicorn, "Server", Server)
        settings = serving.Settings(port, lan, 3, tmp_path, told.append, drum)
        serving.run(work(tmp_path), settings)
        return seen["config"], seen["address"], told

    return run


def test_the_server_is_bound_to_the_loopback_address_alone_unless_the_network_is_let_in(started):
    config, address, told = started()
    assert ipaddress.ip_address(address[0]).is_loopback
    assert config.ssl_certfile is None
    assert config.app.pairing is None
    assert told[0] == f"Open http://localhost:{address[1]}/"
    assert config.app.hosts == {f"localhost:{address[1]}", f"127.0.0.1:{address[1]}"}


def test_the_network_is_let_in_by_https_and_a_pairing_code_only(started):
    config, address, told = started(lan=True)
    assert address[0] == "0.0.0.0"
    assert config.ssl_certfile is not None
    assert config.app.scheme == "https"
    assert config.app.pairing.code in "".join(told)
    assert all("http://" not in line for line in told)


def test_messages_of_a_socket_are_bounded_and_no_proxy_is_believed(started):
    config, _, _ = started()
    assert 8 + 4 * MOST_FRAMES <= config.ws_max_size <= 128 * 1024
    assert config.proxy_headers is False


def test_the_page_of_one_drum_is_named_safely(started):
    _, address, told = started(drum="a/b #c")
    assert told[0] == f"Open http://localhost:{address[1]}/#a%2Fb%20%23c"


def test_a_port_that_is_taken_is_said_in_one_line(started):
    with serving._bound("127.0.0.1", 0) as taken, pytest.raises(DrumtuneError, match="choose another --port"):
        serving._bound("127.0.0.1", taken.getsockname()[1])
