"""The worker's limits, and the certificate as another library reads it."""

import ssl
import time

import pytest
from cryptography import x509

from drumtune.errors import DrumtuneError
from drumtune.web.certificate import make
from drumtune.web.worker import Worker


@pytest.fixture(scope="module")
def worker():
    made = Worker()
    yield made
    made.stop()


def test_work_is_done_in_a_process_that_stays(worker):
    import os

    first = worker.call(30.0, os.getpid)
    assert first == worker.call(30.0, os.getpid)
    assert first != os.getpid()


def test_work_that_takes_too_long_is_ended_and_the_next_is_done(worker):
    with pytest.raises(DrumtuneError, match="took longer than 0 s"):
        worker.call(0.2, time.sleep, 60)
    assert worker.call(30.0, abs, -3) == 3


def test_work_that_fails_or_wants_too_much_memory_is_told_in_one_line(worker):
    with pytest.raises(DrumtuneError, match="inside \\(ValueError\\)"):
        worker.call(30.0, int, "x")
    with pytest.raises(DrumtuneError, match="more memory than is allowed"):
        worker.call(30.0, bytearray, 8 << 30)
    assert worker.call(30.0, abs, -3) == 3


def test_the_certificate_names_its_hosts_and_its_key_is_private(tmp_path):
    public, secret, fingerprint = make(tmp_path, ("localhost", "192.0.2.7"))
    assert secret.stat().st_mode & 0o077 == 0
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(public, secret)
    plain = ssl.PEM_cert_to_DER_cert(public.read_text())
    import hashlib

    assert hashlib.sha256(plain).hexdigest() == fingerprint
    names = x509.load_pem_x509_certificate(public.read_bytes()).extensions.get_extension_for_class(
        x509.SubjectAlternativeName
    )
    assert names.value.get_values_for_type(x509.DNSName) == ["localhost"]
