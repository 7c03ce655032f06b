"""The worker's limits, and the certificate as another library reads it."""

import multiprocessing
import ssl
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from cryptography import x509

from drumtune.errors import DrumtuneError
from drumtune.web.certificate import make
from drumtune.web.worker import Pool, Worker


@pytest.fixture(scope="module")
def worker():
    made = Worker()
    yield made
    made.stop()


def test_work_is_done_in_a_process_that_stays(worker):
    import os

    first = worker.do(30.0, os.getpid)
    assert first == worker.do(30.0, os.getpid)
    assert first != os.getpid()


def test_work_that_takes_too_long_is_ended_and_the_next_is_done(worker):
    with pytest.raises(DrumtuneError, match="took too long"):
        worker.do(0.2, time.sleep, 60)
    assert worker.do(30.0, abs, -3) == 3


def test_work_that_fails_or_wants_too_much_memory_is_told_in_one_line(worker):
    with pytest.raises(DrumtuneError, match="inside \\(ValueError\\)"):
        worker.do(30.0, int, "x")
    with pytest.raises(DrumtuneError, match="more memory than is allowed"):
        worker.do(30.0, bytearray, 8 << 30)
    assert worker.do(30.0, abs, -3) == 3


@pytest.fixture
def pool():
    made = Pool(size=2)
    yield made
    made.stop()


def test_jobs_of_a_pool_are_done_at_the_same_time(pool):
    pool.start()
    with multiprocessing.Manager() as shared, ThreadPoolExecutor(2) as threads:
        both = shared.Barrier(2)  # passes only when two are at it together
        places = list(threads.map(lambda _: pool.call(60.0, both.wait), range(2)))
    assert sorted(places) == [0, 1]


def test_the_wait_for_a_free_worker_counts_in_the_time_a_job_may_take():
    now = [0.0]
    pool = Pool(size=1, clock=lambda: now[0])
    pool._free.clear()  # the only worker is at work
    with pytest.raises(DrumtuneError, match="busy with other readings"):
        pool.call(0.05, abs, -3)
    pool._free.extend(pool._all)
    asked, taken = [], pool._taken
    pool._all[0].do = lambda seconds, do, *words: asked.append(seconds)
    pool._taken = lambda end: (now.__setitem__(0, 7.0), taken(end))[1]  # seven of ten seconds pass in waiting
    pool.call(10.0, abs, -3)
    assert asked == [3.0]


def test_every_free_worker_is_prepared_and_what_fails_there_is_no_trouble(pool):
    pool.everywhere(60.0, int, "x")
    assert pool.call(60.0, abs, -3) == 3
    assert len(pool._free) == pool.size == 2


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
