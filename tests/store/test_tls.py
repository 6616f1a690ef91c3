"""Redis over TLS, truly spoken: what is trusted, what is not, and what an operator is then told.

One server stands behind a relay, as not every redis-server was built with TLS; Sentinels and a
cluster are tried where it was.
"""

from __future__ import annotations

import socket
import threading
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner
from deployments import PASSWORD, SLOTS, Cluster, Sentinels, Server, wait_until
from tls import Certificates, Relay, redis_speaks_tls

from bot.cli import main
from bot.operating import checking_setup
from bot.settings import SettingsError
from bot.store.connecting import connect
from bot.store.errors import StoreUnavailable
from bot.store.growers import NEW, Store
from bot.store.keys import grower_key

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from bot.store.server import EmbeddedRedis

NUMBER = "+255712000443"  # of which no other test leaves anything

with_tls = pytest.mark.skipif(
    not redis_speaks_tls(), reason="the redis-server here was built without TLS"
)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture(scope="module")
def relay(redis_server: EmbeddedRedis, certificates: Certificates) -> Iterator[Relay]:
    with Relay(redis_server.socket, certificates.server) as relay:
        yield relay


@pytest.fixture(scope="module")
def strict(redis_server: EmbeddedRedis, certificates: Certificates) -> Iterator[Relay]:
    """One that wants a certificate of whoever calls."""
    with Relay(redis_server.socket, certificates.server, certificates.authority) as relay:
        yield relay


def keeps(url: str) -> bool:
    with connect(url) as client:
        store = Store(client)
        before = store.load(NUMBER)
        assert store.commit(NUMBER, before, NEW.grower, due=1)
        return store.load(NUMBER) != before


def why_not(url: str) -> str:
    with pytest.raises(StoreUnavailable) as refused, connect(url) as client:
        Store(client).load(NUMBER)
    return str(refused.value)


def test_a_redis_whose_authority_is_named_is_spoken_to(
    relay: Relay, certificates: Certificates
) -> None:
    assert keeps(f"rediss://127.0.0.1:{relay.port}/0?ssl_ca_certs={certificates.authority}")


def test_a_redis_of_an_unknown_authority_is_not_trusted(relay: Relay, tmp_path: Path) -> None:
    other = Certificates(tmp_path).authority
    for url in (
        f"rediss://127.0.0.1:{relay.port}",
        f"rediss://127.0.0.1:{relay.port}?ssl_ca_certs={other}",
    ):
        said = why_not(url)
        assert "CERTIFICATE_VERIFY_FAILED" in said
        assert said.endswith("?ssl_ca_certs=FILE")


def test_a_redis_of_another_name_is_not_trusted(relay: Relay, certificates: Certificates) -> None:
    said = why_not(f"rediss://localhost:{relay.port}?ssl_ca_certs={certificates.authority}")
    assert "certificate is not valid for 'localhost'" in said
    assert said.endswith("name Redis in REDIS_URL as its certificate names it")


def test_a_certificate_that_has_lapsed_is_not_trusted(
    redis_server: EmbeddedRedis, certificates: Certificates
) -> None:
    lapsed = certificates.made("lapsed", "127.0.0.1", until=datetime(2021, 1, 1, tzinfo=UTC))
    with Relay(redis_server.socket, lapsed) as relay:
        said = why_not(f"rediss://127.0.0.1:{relay.port}?ssl_ca_certs={certificates.authority}")
    assert "give Redis a new certificate" in said


def test_plain_text_is_not_understood_where_tls_is_spoken(relay: Relay) -> None:
    assert "rediss:// speaks TLS" in why_not(f"redis://127.0.0.1:{relay.port}")


@pytest.mark.parametrize(
    ("answered", "says"),
    [
        (b"-ERR unknown command\r\n", "this Redis speaks no TLS there"),
        (b"", "Redis broke off"),
    ],
)
def test_a_peer_that_cannot_agree_on_tls_is_told_apart(answered: bytes, says: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as door, ExitStack() as held:

        def answer() -> None:
            with suppress(OSError):  # the door is shut
                while True:
                    caller = held.enter_context(door.accept()[0])
                    with suppress(OSError):  # the caller was quicker to leave
                        caller.recv(65536)
                        caller.sendall(answered)
                        caller.shutdown(socket.SHUT_WR)

        answering = threading.Thread(target=answer)
        answering.start()
        try:
            said = why_not(f"rediss://127.0.0.1:{door.getsockname()[1]}")
        finally:
            door.shutdown(socket.SHUT_RDWR)
            answering.join()
    assert says in said


def test_a_redis_that_wants_a_certificate_of_ours_is_shown_it(
    strict: Relay, certificates: Certificates, tmp_path: Path
) -> None:
    url = f"rediss://127.0.0.1:{strict.port}?ssl_ca_certs={certificates.authority}"
    # Authorities hand them out either way: with the key in the same file, or in one of its own.
    assert keeps(f"{url}&ssl_certfile={certificates.client}")
    whole = certificates.client.read_text()
    cut = whole.index("-----BEGIN CERTIFICATE")
    key, ours = tmp_path / "key.pem", tmp_path / "ours.pem"
    key.write_text(whole[:cut])
    ours.write_text(whole[cut:])
    assert keeps(f"{url}&ssl_certfile={ours}&ssl_keyfile={key}")

    assert "ssl_certfile=FILE" in why_not(url)
    stranger = Certificates(tmp_path).client
    said = why_not(f"{url}&ssl_certfile={stranger}")
    assert "unknown ca" in said
    assert said.endswith("by an authority that it trusts")


def test_the_doctor_says_what_is_wrong_with_tls(
    relay: Relay, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checking_setup, "prove", lambda _: [])  # takes seconds
    monkeypatch.setenv("REDIS_URL", f"rediss://127.0.0.1:{relay.port}")
    done = CliRunner().invoke(main, ["doctor"])
    assert done.exit_code == 1
    (line,) = (each for each in done.output.splitlines() if "Redis does not answer" in each)
    assert line.endswith("behind REDIS_URL: ?ssl_ca_certs=FILE")


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("rediss://one?ssl_ca_cert={ca}", "'ssl_ca_cert'; did you mean ssl_ca_certs?"),
        ("rediss+cluster://one?ssl_ca_cert={ca}", "did you mean ssl_ca_certs?"),
        ("redis://one?ssl_ca_certs={ca}", "TLS needs rediss://"),
        ("redis+sentinel://one/farms?ssl_ca_certs={ca}", "TLS needs rediss://"),
        ("redis+cluster://one?ssl_ca_certs={ca}", "TLS needs rediss://"),
        ("redis://one?ssl=true", "TLS needs rediss://"),
        ("redis+sentinel://one/farms?connection_class=secret", "'connection_class'"),
        ("redis://one?host=two", "'host'"),
        ("redis+sentinel://one/farms?port=7000", "'port'"),
        ("redis://one?path=secret", "'path'"),
        ("redis://one?sentinel_password=secret", "'sentinel_password'"),
        ("redis+cluster://one?health_check_interval=9", "'health_check_interval'"),
        ("redis://one?decode_responses=secret", "'decode_responses'"),
        ("rediss://one?ssl_cert_reqs=never", "required or none"),
        ("rediss://one?ssl_ca_certs={ca}.not", r"\.pem\.not, which is not there"),
        ("rediss+sentinel://one/farms?ssl_ca_certs={key}", "holds no certificate"),
        ("rediss://one?ssl_certfile={ca}", "makes no pair"),
        ("rediss://one?ssl_keyfile={key}", "makes no pair"),
        ("rediss://one?ssl_certfile={ca}&ssl_keyfile={key}", "makes no pair"),
    ],
)
def test_an_option_that_cannot_be_used_is_refused_before_anything_is_sent(
    url: str, says: str, certificates: Certificates, tmp_path: Path
) -> None:
    key = tmp_path / "key.pem"
    key.write_text(certificates.client.read_text().partition("-----BEGIN CERTIFICATE")[0])
    with pytest.raises(SettingsError, match=says) as refused:
        connect(url.format(ca=certificates.authority, key=key))
    assert "secret" not in str(refused.value)


@with_tls
def test_a_server_that_wants_a_certificate_refuses_whoever_brings_none(
    certificates: Certificates, tmp_path: Path
) -> None:
    server = Server(tmp_path, certificates=certificates)
    try:
        server.client.config_set("tls-auth-clients", "yes")
        url = f"rediss://:{PASSWORD}@127.0.0.1:{server.port}?ssl_ca_certs={certificates.authority}"
        assert keeps(f"{url}&ssl_certfile={certificates.client}")
        assert why_not(url)  # in what words turns on who is quicker to close
    finally:
        server.close()


@with_tls
def test_sentinels_and_the_primary_they_name_speak_tls(
    certificates: Certificates, tmp_path: Path
) -> None:
    with Sentinels(tmp_path, certificates) as sentinels:
        assert keeps(sentinels.url)
        said = why_not(sentinels.url.partition("&ssl_ca_certs")[0])
        # An operator can mend a certificate, not what a client says of its own insides.
        assert said.count("CERTIFICATE_VERIFY_FAILED") == 3
        assert said.endswith("?ssl_ca_certs=FILE")
        assert "ConnectionPool" not in said


@with_tls
def test_a_node_of_a_cluster_speaks_tls(certificates: Certificates, tmp_path: Path) -> None:
    options = ("--cluster-enabled", "yes", "--tls-cluster", "yes")
    node = Server(tmp_path, *options, certificates=certificates)
    try:
        node.client.execute_command("CLUSTER ADDSLOTS", *range(SLOTS))
        wait_until(lambda: node.client.execute_command("CLUSTER INFO")["cluster_state"] == "ok")
        url = f"rediss+cluster://:{PASSWORD}@127.0.0.1:{node.port}"
        assert keeps(f"{url}?ssl_ca_certs={certificates.authority}")
        assert why_not(url).endswith("?ssl_ca_certs=FILE")
    finally:
        node.close()


@with_tls
@pytest.mark.slow
def test_a_failover_in_a_cluster_is_followed_over_tls(
    certificates: Certificates, tmp_path: Path
) -> None:
    with Cluster(tmp_path, certificates) as cluster, cluster.client() as client:
        store = Store(client)
        assert store.commit(NUMBER, NEW, NEW.grower, due=1)
        key = grower_key(NUMBER)
        was = cluster.primary_of(key)
        wait_until(lambda: was.client.wait(1, 1000) == 1)
        was.kill()

        def there() -> bool:
            with suppress(StoreUnavailable):
                return store.load(NUMBER) != NEW
            return False

        wait_until(there)
        assert cluster.primary_of(key) is not was
