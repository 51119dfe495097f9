"""A node over TLS on the real service: its password changes, the certificate is renewed, it is retired."""

import json
import signal
import socket
import ssl
from pathlib import Path

from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.yard import SITE, Served, Yard, end, make_yard, metric, serving, until

YEARS, SEED = 0.02, 3
REF = f"{SITE}/north"


def encrypt(yard: Yard) -> None:
    """Make the site's authority and a certificate by command, and set them."""
    told = yard.command("broker", "ca", "--host", "127.0.0.1", "--host", "collector.lan")
    assert told.returncode == 0, told.stderr
    ca = yard.folder / "state" / "ca"
    pair = f'cert = "{ca / "server.pem"}"\nkey = "{ca / "server.key"}"\n'
    plain = yard.config.read_text("utf-8")
    yard.config.write_text(plain.replace("[intake]\n", f"[intake]\n{pair}"), "utf-8")


def trust(made: Hung, ca: Path) -> None:
    """Give the node the site's certificate."""
    plain = made.config.read_text("utf-8")
    made.config.write_text(plain.replace("[broker]\n", f'[broker]\nca_file = "{ca}"\n'), "utf-8")


def generation(yard: Yard) -> int | None:
    """The password that the node said it uses."""
    ((status,),) = yard.rows("SELECT status FROM node")
    return json.loads(status)["gen"] if status else None


def shown(served: Served, ca: Path) -> bytes | None:
    """The certificate that a new connection sees, checked by the site's authority."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(ca)
    with (
        socket.create_connection(("127.0.0.1", served.intake), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname="collector.lan") as tls,
    ):
        return tls.getpeercert(binary_form=True)


def test_over_tls_a_password_is_changed_a_certificate_renewed_and_a_node_retired(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    made = hang(yard, door="north", years=YEARS, seed=SEED)
    encrypt(yard)
    ca = tmp_path / "state" / "ca" / "ca.pem"
    with serving(yard) as served:
        write_node_file(made, served.intake)
        trust(made, ca)
        assert yard.command("node", "rotate", REF).returncode == 0
        child = made.start("--packs-per-s", "100")
        try:
            until(lambda: generation(yard) == 2, "the second password")
            until(lambda: made.counts()["waiting"] == 0, "the readings", every_s=0.2)
            before = shown(served, ca)
            assert yard.command("broker", "ca").returncode == 0
            served.child.send_signal(signal.SIGHUP)
            until(lambda: shown(served, ca) != before, "the renewed certificate")
            until(lambda: metric(served, "connections") == 1, "the node's connection, which lives")
            assert yard.command("node", "retire", REF).returncode == 0
            until(lambda: metric(served, "connections") == 0, "the retired node to be shut out", within_s=10)
        finally:
            assert end(child) == 0
    assert json.loads((made.folder / "state" / "secret").read_text("utf-8"))["gen"] == 2
    assert not (made.folder / "state" / "secret.new").exists()
    log = yard.log.read_text("utf-8")
    assert "the certificate was read again" in log
    assert json.loads((made.folder / "state" / "secret").read_text("utf-8"))["key"] not in log
    stored = yard.rows("SELECT count(*) FROM instant")[0][0]
    with made.spool() as spool:
        assert stored >= spool.head - 1, "all but what was sampled after it was retired"
