"""Enrolment at the node, against a listener with the site's certificate: tried first, kept only then."""

import io
import json
import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from sensors.config import Broker, NodeFile
from sensors.node.enrol import EnrolError, enrol_node
from sensors.node.main import main
from sensors.publisher.passwords import Passwords
from server.auth.certificates import carried, make_authority, make_certificate
from server.auth.enrolment import Enrolment, enrolment_line
from server.service.tls import server_context
from tests.fakes.certificates import SiteFiles, listening_with, site_files, today
from tests.fakes.intake import listening

PASSWORD = "4C7Q9MZK2T0VXA8B"  # noqa: S105 - invented
NOW_MS = round(today().timestamp() * 1000)
OK = (
    "ok htae3d2911c36606ac8ea3: saltmarsh-yard/north can publish; "
    "first password changes itself at first contact"
)


@dataclass(frozen=True, slots=True)
class Site:
    """A collector with its certificate, and the line that it gave."""

    files: SiteFiles
    line: Enrolment
    node: NodeFile

    def enrol(self, *, now_ms: int = NOW_MS, **changes: Any) -> str:
        """Give the node the line, with what is changed."""
        line = enrolment_line(replace(self.line, **changes))
        return enrol_node(self.node, line, now_ms=now_ms)


def node_of(folder: Path, broker: Broker) -> NodeFile:
    return NodeFile(
        site="saltmarsh-yard", node="north", state_dir=folder / "state", broker=broker, channels=()
    )


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """The collector runs; the node knows where, and nothing else."""
    files = site_files(tmp_path / "site")
    with listening_with(server_context(files.tls.cert, files.tls.key)) as (_, port):
        line = Enrolment(
            host="127.0.0.1",
            port=port,
            site="saltmarsh-yard",
            node="north",
            generation=1,
            password=PASSWORD,
            ca=carried(files.authority.cert),
        )
        broker = Broker(host="127.0.0.1", port=port, ca_file=str(tmp_path / "ca.pem"))
        yield Site(files, line, node_of(tmp_path, broker))


def left(site: Site) -> list[str]:
    """The files of the node."""
    folder = site.node.state_dir
    return sorted(path.name for path in [*folder.glob("*"), *folder.parent.glob("ca*")])


def test_a_code_is_tried_and_kept(site: Site) -> None:
    assert site.enrol() == OK
    assert left(site) == ["ca.pem", "secret"]
    secret = site.node.state_dir / "secret"
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    assert json.loads(secret.read_text("utf-8")) == {"gen": 1, "key": PASSWORD}
    assert Path(site.node.broker.ca_file).read_text("utf-8").split() == site.files.authority.cert.split()
    own = Passwords(site.node.state_dir, site="saltmarsh-yard", node="north", user="").own
    assert (own.user, own.password) == ("saltmarsh-yard.north.1", PASSWORD)


def test_a_new_code_takes_the_place_of_an_old_password(site: Site) -> None:
    site.enrol()
    (site.node.state_dir / "secret.new").write_text('{"gen": 9, "key": "old"}', "utf-8")
    site.enrol(generation=2)
    assert left(site) == ["ca.pem", "secret"]
    assert json.loads((site.node.state_dir / "secret").read_text("utf-8"))["gen"] == 2


def test_on_one_computer_no_certificate_is_needed(tmp_path: Path) -> None:
    with listening() as yard:
        node = node_of(tmp_path, Broker(port=yard.port))
        given = Enrolment(
            host="127.0.0.1",
            port=yard.port,
            site="saltmarsh-yard",
            node="north",
            generation=1,
            password=PASSWORD,
        )
        assert enrol_node(node, enrolment_line(given), now_ms=NOW_MS) == OK


REFUSED: dict[str, tuple[dict[str, Any], int, str]] = {
    "wrong password": ({"password": PASSWORD[::-1]}, 3, "no password refused: the code is older than 24 h"),
    "generation gone": ({"generation": 7}, 3, "no password refused"),
    "another node": ({"node": "south"}, 2, "no node: the code is for saltmarsh-yard/south, this is"),
    "another host": ({"host": "hub.lan"}, 2, 'no address: put host = "hub.lan"'),
    "another port": ({"port": 1}, 2, "no address: put host"),
    "no certificate": ({"ca": "MIIB"}, 2, "no certificate: the code holds none that can be read"),
}


@pytest.mark.parametrize(("changes", "status", "said"), REFUSED.values(), ids=REFUSED)
@pytest.mark.parametrize("before", ["nothing", "enrolled"])
def test_a_refusal_changes_nothing(
    site: Site, before: str, changes: dict[str, Any], status: int, said: str
) -> None:
    if before == "enrolled":
        site.enrol()
    there, kept = left(site), site.node.state_dir / "secret"
    text = kept.read_text("utf-8") if kept.exists() else None
    with pytest.raises(EnrolError) as told:
        site.enrol(**changes)
    assert str(told.value).startswith(said)
    assert told.value.status == status
    assert PASSWORD not in str(told.value)
    assert left(site) == there
    assert (kept.read_text("utf-8") if kept.exists() else None) == text


def test_a_certificate_for_another_name(tmp_path: Path) -> None:
    files = site_files(tmp_path / "site")
    made = make_certificate(files.authority, ["collector.lan"], now=today())
    files.tls.cert.write_text(made.cert, "utf-8")
    files.tls.key.write_text(made.key, "utf-8")
    with listening_with(server_context(files.tls.cert, files.tls.key)) as (_, port):
        line = Enrolment(
            host="localhost",
            port=port,
            site="saltmarsh-yard",
            node="north",
            generation=1,
            password=PASSWORD,
            ca=carried(files.authority.cert),
        )
        node = node_of(tmp_path, Broker(host="localhost", port=port, ca_file=str(tmp_path / "ca.pem")))
        with pytest.raises(
            EnrolError, match=r"no name: certificate is for collector\.lan, the code says localhost"
        ):
            enrol_node(node, enrolment_line(line), now_ms=NOW_MS)
    assert not (tmp_path / "ca.pem").exists()


def test_a_certificate_of_another_authority(site: Site) -> None:
    other = make_authority(["collector.lan", "127.0.0.1"], now=today())
    with pytest.raises(
        EnrolError, match=r"no certificate: the collector's is not of the site's CA .*nothing was sent"
    ):
        site.enrol(ca=carried(other.cert))


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (-1800, "no time: certificate not yet valid on this clock .*set the clock"),
        (9000, "no time: .* ended on"),
    ],
)
def test_a_clock_that_is_wrong(site: Site, days: int, said: str) -> None:
    with pytest.raises(EnrolError, match=said):
        site.enrol(now_ms=NOW_MS + round(timedelta(days=days).total_seconds() * 1000))


def test_a_collector_that_is_away(tmp_path: Path) -> None:
    node = node_of(tmp_path, Broker(port=1))
    line = Enrolment(
        host="127.0.0.1", port=1, site="saltmarsh-yard", node="north", generation=1, password=PASSWORD
    )
    with pytest.raises(EnrolError, match=r"no collector: 127\.0\.0\.1:1 does not answer") as told:
        enrol_node(node, enrolment_line(line), now_ms=NOW_MS)
    assert told.value.status == 3


def test_a_code_off_this_computer_brings_a_certificate(tmp_path: Path) -> None:
    node = node_of(tmp_path, Broker(host="collector.lan", port=8883, ca_file="ca.pem"))
    line = Enrolment(
        host="collector.lan", port=8883, site="saltmarsh-yard", node="north", generation=1, password=PASSWORD
    )
    with pytest.raises(EnrolError, match="no certificate: off this computer"):
        enrol_node(node, enrolment_line(line), now_ms=NOW_MS)


def test_the_command_reads_its_input_and_never_its_arguments(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    broker = site.node.broker
    text = f'site = "saltmarsh-yard"\nnode = "north"\nstate_dir = "{tmp_path / "state"}"\n[broker]\n'
    text += f'host = "127.0.0.1"\nport = {broker.port}\nca_file = "{broker.ca_file}"\n'
    (tmp_path / "node.toml").write_text(text, "utf-8")
    line = enrolment_line(site.line)
    for given, status, out, err in (
        (line, 0, OK + "\n", ""),
        (line[:-9], 2, "", "no checksum: the line is cut or mistyped"),
    ):
        monkeypatch.setattr("sys.stdin", io.StringIO(given + "\n"))
        try:
            got = main(["--config", str(tmp_path / "node.toml"), "enrol"])
        except SystemExit as end:
            got = int(str(end.code))
        told = capsys.readouterr()
        assert (got, told.out) == (status, out)
        assert told.err.startswith(err)
    assert main(["--config", str(tmp_path / "node.toml"), "enrol", line]) == 2
