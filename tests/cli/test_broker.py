"""Commands about encryption and an outside broker: what they write, where, and for whom."""

import json
import re
from pathlib import Path

import pytest

from server.auth.broker_passwords import users_of
from server.auth.certificates import fingerprint, hosts_of, is_made_by
from server.cli.main import main

NORTH = "saltmarsh-yard/north"


class Yard:
    """A settings file in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.state, self.config = folder / "state", folder / "hangtrue.toml"
        self.write()

    def write(self, more: str = "") -> None:
        self.config.write_text(f'state_dir = "{self.state}"\nzone = "Europe/London"\n{more}', "utf-8")

    def run(self, *arguments: str) -> int:
        return main(["--config", str(self.config), *arguments])

    def text(self, name: str) -> str:
        return (self.state / name).read_text("utf-8")

    def mode(self, name: str) -> int:
        return (self.state / name).stat().st_mode & 0o777


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def test_the_authority_is_made_once_and_the_certificate_again(
    yard: Yard, capsys: pytest.CaptureFixture[str]
) -> None:
    assert yard.run("broker", "ca", "--host", "collector.lan", "--host", "192.168.1.20") == 0
    told = capsys.readouterr().out
    ca, cert, key = (yard.text(f"ca/{name}") for name in ("ca.pem", "server.pem", "server.key"))
    assert fingerprint(ca) in told
    assert hosts_of(cert) == ["collector.lan", "192.168.1.20"]
    assert [yard.mode(f"ca/{name}") for name in ("ca.key", "server.key")] == [0o600, 0o600]
    assert yard.run("broker", "ca") == 0
    again = yard.text("ca/server.pem")
    assert (yard.text("ca/ca.pem"), yard.text("ca/server.key")) == (ca, key)
    assert again != cert
    assert is_made_by(again, ca)
    assert hosts_of(again) == hosts_of(cert)


def test_the_authoritys_key_may_lie_elsewhere(
    yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stick = tmp_path / "stick" / "ca.key"
    assert yard.run("broker", "ca", "--host", "collector.lan", "--key", str(stick)) == 0
    assert stick.stat().st_mode & 0o777 == 0o600
    assert not (yard.state / "ca" / "ca.key").exists()
    assert yard.run("broker", "ca") == 2
    assert "ca.key: needs a file that can be read" in capsys.readouterr().err
    assert yard.run("broker", "ca", "--key", str(stick)) == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "--host: the name or address that the boxes connect to"),
        (["--host", "Collector.lan"], "a name of a-z 0-9 - and ., such as collector.lan"),
        (["--host", "8.8.8.8"], "an address of a private network"),
    ],
)
def test_an_authority_that_cannot_be_is_refused_and_leaves_nothing(
    yard: Yard, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert yard.run("broker", "ca", *arguments) == 2
    assert said in capsys.readouterr().err
    assert not (yard.state / "ca").exists()


def test_a_new_name_needs_a_new_authority(yard: Yard, capsys: pytest.CaptureFixture[str]) -> None:
    yard.run("broker", "ca", "--host", "collector.lan")
    before = yard.text("ca/server.pem")
    assert yard.run("broker", "ca", "--host", "other.lan") == 2
    assert "(localhost, collector.lan), or a new authority" in capsys.readouterr().err
    assert yard.text("ca/server.pem") == before


def test_the_files_name_everyone_and_who_has_no_password(
    yard: Yard, capsys: pytest.CaptureFixture[str]
) -> None:
    yard.run("node", "enrol", NORTH)
    capsys.readouterr()
    assert yard.run("broker", "files", "--port", "1999") == 0
    told = capsys.readouterr().out
    assert "no password  saltmarsh-yard.north.1: hangtrue node rotate saltmarsh-yard/north" in told
    assert "user saltmarsh-yard.north.1\n" in yard.text("broker/access")
    assert users_of(yard.text("broker/passwords")) == {"collector"}
    assert "listener 1999 127.0.0.1\n" in yard.text("broker/mosquitto.conf")
    names = ("access", "collector.password", "mosquitto.conf", "passwords")
    assert [yard.mode(f"broker/{name}") for name in names] == [0o600] * 4
    password = yard.text("broker/collector.password")
    yard.run("broker", "files")
    assert yard.text("broker/collector.password") == password


def test_with_a_certificate_the_broker_is_open_to_the_network(yard: Yard) -> None:
    yard.run("broker", "ca", "--host", "broker.lan")
    yard.run("broker", "files")
    said = yard.text("broker/mosquitto.conf")
    assert "listener 8883\n" in said
    assert f"certfile {yard.state}/ca/server.pem\n" in said


def test_all_that_the_broker_reads_is_copied_where_its_own_user_may_look(
    yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "there"
    yard.run("broker", "ca", "--host", "broker.lan")
    assert yard.run("broker", "files", "--to", str(there)) == 0
    assert f"chown -R mosquitto {there}" in capsys.readouterr().err
    said = (there / "mosquitto.conf").read_text("utf-8")
    assert str(yard.state) not in said
    names = {"access", "ca.pem", "mosquitto.conf", "passwords", "server.key", "server.pem"}
    assert {path.name for path in there.iterdir()} == names
    assert all(f" {there / name}\n" in said for name in names - {"mosquitto.conf"})


def test_enrolment_change_and_retirement_reach_the_files(
    yard: Yard, capsys: pytest.CaptureFixture[str]
) -> None:
    yard.run("broker", "files")
    yard.run("node", "enrol", NORTH)
    yard.run("node", "enrol", "saltmarsh-yard/shed", "--plain", "--channel", "t=Cel")
    first = {"collector", "saltmarsh-yard.north.1", "saltmarsh-yard.shed.1"}
    assert users_of(yard.text("broker/passwords")) == first
    assert yard.run("node", "rotate", NORTH) == 0
    told = capsys.readouterr()
    assert "for saltmarsh-yard.north.2, when it next connects" in told.out
    assert re.search(r"\b[0-9A-HJKMNP-TV-Z]{16}\b", told.out.splitlines()[-1]) is None, "shown to nobody"
    both = users_of(yard.text("broker/passwords"))
    assert both == first | {"saltmarsh-yard.north.2"}
    assert set(re.findall(r"^user (.+)$", yard.text("broker/access"), re.M)) == both
    assert yard.run("node", "retire", NORTH) == 0
    assert "2 passwords ended" in capsys.readouterr().out
    assert users_of(yard.text("broker/passwords")) == {"collector", "saltmarsh-yard.shed.1"}
    assert "north" not in yard.text("broker/access")


def test_on_the_network_the_line_carries_the_authority_and_nothing_is_said_beside_it(
    yard: Yard, capsys: pytest.CaptureFixture[str]
) -> None:
    yard.run("broker", "ca", "--host", "collector.lan")
    cert, key = yard.state / "ca" / "server.pem", yard.state / "ca" / "server.key"
    yard.write(f'[intake]\nbind = "0.0.0.0:8883"\ncert = "{cert}"\nkey = "{key}"\n')
    capsys.readouterr()
    assert yard.run("node", "enrol", NORTH) == 0
    (line,) = capsys.readouterr().out.splitlines()
    parts = dict(part.split(":" if part.startswith("hangtrue") else "=", 1) for part in line.split(";"))
    assert (parts["h"], parts["p"], parts["g"]) == ("collector.lan", "8883", "1")
    assert len(parts["c"]) > 300
    assert yard.run("node", "enrol", "saltmarsh-yard/south", "--host", "elsewhere.lan") == 2
    assert "a name of the server's certificate (collector.lan)" in capsys.readouterr().err
    yard.run("node", "list", "--json")
    assert [node["node"] for node in json.loads(capsys.readouterr().out)] == [NORTH]
