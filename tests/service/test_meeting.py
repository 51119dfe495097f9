"""Where a node is told to connect."""

from dataclasses import replace
from pathlib import Path

import pytest

from server.auth.certificates import carried
from server.config import Address, Broker, Settings
from server.errors import SettingsError
from server.service.meeting import Meeting, meeting_place
from tests.fakes.certificates import site_files
from tests.refusals import refuses


def settings(folder: Path, **changes: object) -> Settings:
    plain = Settings(state_dir=folder, database="sqlite://")
    return replace(plain, **changes)  # type: ignore[arg-type]  # the names are those of Settings


def on_the_network(folder: Path, **changes: object) -> Settings:
    tls = site_files(folder / "ca").tls
    address = Address(host="0.0.0.0", port=8883)  # noqa: S104  (with TLS)
    return settings(
        folder, **{"intake_bind": address, "intake_cert": tls.cert, "intake_key": tls.key, **changes}
    )


def test_on_this_computer_there_is_no_certificate(tmp_path: Path) -> None:
    assert meeting_place(settings(tmp_path)) == Meeting(host="127.0.0.1", port=1883)
    with refuses(SettingsError, asked="enrol a node", needed="no --host", came="collector.lan"):
        meeting_place(settings(tmp_path), host="collector.lan")


def test_on_the_network_the_certificates_name_and_the_authority_are_told(tmp_path: Path) -> None:
    ours = on_the_network(tmp_path)
    ca = carried((tmp_path / "ca" / "ca.pem").read_text("utf-8"))
    assert meeting_place(ours) == Meeting(host="collector.lan", port=8883, ca=ca)
    assert meeting_place(ours, host="localhost").host == "localhost"
    with refuses(
        SettingsError, asked="enrol", needed="(collector.lan, localhost, 127.0.0.1)", came="other.lan"
    ):
        meeting_place(ours, host="other.lan")


def test_a_certificate_of_another_authority_is_refused(tmp_path: Path) -> None:
    other = site_files(tmp_path / "other").tls
    ours = on_the_network(tmp_path, intake_cert=other.cert)
    with refuses(
        SettingsError, asked="enrol", needed="ca.pem made (hangtrue broker ca)", came="made by another"
    ):
        meeting_place(ours)


def test_without_the_authoritys_certificate_it_says_how_to_make_one(tmp_path: Path) -> None:
    ours = on_the_network(tmp_path)
    (tmp_path / "ca" / "ca.pem").unlink()
    with refuses(SettingsError, asked="enrol", needed="hangtrue broker ca", came="No such file"):
        meeting_place(ours)


@pytest.mark.parametrize("has_ca", [False, True])
def test_with_a_broker_its_own_place_is_told(tmp_path: Path, has_ca: bool) -> None:
    ca = site_files(tmp_path / "ca").tls.ca if has_ca else None
    broker = Broker(host="broker.lan" if has_ca else "127.0.0.1", port=8884, ca_file=ca)
    told = meeting_place(settings(tmp_path, intake_kind="broker", broker=broker))
    assert (told.host, told.port, told.ca is not None) == (broker.host, 8884, has_ca)
