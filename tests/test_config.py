"""Settings: one file and the environment over it, every fault at once with its line."""

from pathlib import Path

import pytest

from server.alerts.delivery.settings import read_channels
from server.config import Address, Broker, example, read_settings
from server.errors import FileError


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "hangtrue.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_example_is_what_is_used_when_nothing_is_set(tmp_path: Path) -> None:
    environment = {"HOME": str(tmp_path)}
    shown = read_settings(written(tmp_path, example(environment)), environment=environment)
    assert shown == read_settings(None, environment=environment)
    assert shown.database == f"sqlite:///{tmp_path}/.local/state/hangtrue/hangtrue.db"
    assert (shown.intake_bind, shown.pages_bind.port) == (Address(host="127.0.0.1", port=1883), 8060)


def test_the_environment_stands_over_the_file_and_the_option_over_both(tmp_path: Path) -> None:
    path = written(tmp_path, 'database = "sqlite:///file.db"\n[intake]\nrate_per_minute = 7\n')
    environment = {"HANGTRUE_DATABASE": "sqlite:///env.db", "HANGTRUE_INTAKE_RATE_PER_MINUTE": "9"}
    settings = read_settings(path, environment=environment)
    assert (settings.database, settings.intake_rate_per_minute) == ("sqlite:///env.db", 9)
    told = read_settings(path, environment=environment, database="sqlite:///told.db")
    assert told.database == "sqlite:///told.db"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('lok_at = "05:00"', "1 lok_at: no such setting; did you mean look_at?"),
        ('look_at = "25:00"', "1 look_at: '25:00' came, a time such as 05:00 is needed"),
        ('zone = "Europe/Atlantis"', "1 zone: 'Europe/Atlantis' came, a time zone such as Europe/London"),
        ("zone = 3", "1 zone: 3 came, a time zone"),
        ('[intake]\nbind = "0.0.0.0:1883"', "2 intake.bind: '0.0.0.0:1883' came; without encryption"),
        (
            '[intake]\nbind = "127.0.0.1"',
            "2 intake.bind: '127.0.0.1' came, an address such as 127.0.0.1:1883",
        ),
        ('[intake]\nbind = "127.0.0.1:99999"', "2 intake.bind: '127.0.0.1:99999' came, an address"),
        ("[intake]\nrate_per_minute = -1", "2 intake.rate_per_minute: -1 came, a whole number from 0"),
        ('[intake]\ncert = "server.pem"', "2 intake.cert: it came alone, intake.key is needed with it"),
        ('[intake]\nkey = ""', "2 intake.key: '' came, text is needed"),
        ('[intake]\nkind = "pigeon"', "2 intake.kind: 'pigeon' came, listener or broker is needed"),
        ('[intake]\nkind = "broker"', "2 intake.kind: 'broker' came, intake.broker.password_file is needed"),
        ("[intake.broker]\nport = 0", "2 intake.broker.port: 0 came, a whole number from 1 to 65535"),
        ('[intake.broker]\nhost = "a b"', "2 intake.broker.host: 'a b' came, a name or address"),
        (
            '[intake]\nkind = "broker"\n[intake.broker]\npassword_file = "p"\nhost = "broker.lan"',
            "5 intake.broker.host: 'broker.lan' came; off this computer intake.broker.ca_file is needed",
        ),
        ('[pages]\nbind = "0.0.0.0:8060"', "2 pages.bind: '0.0.0.0:8060' came; without encryption"),
        ("[pages]\nbind = 8060", "2 pages.bind: 8060 came, an address"),
        (
            '[pages]\nbase_url = "doors"',
            "2 pages.base_url: 'doors' came, an address such as http://doors.yard",
        ),
        ('[pages]\nbase_url = "http://x/y"', "2 pages.base_url: 'http://x/y' came, an address"),
    ],
)
def test_each_fault_names_its_line(tmp_path: Path, line: str, said: str) -> None:
    path = written(tmp_path, line + "\n")
    with pytest.raises(FileError) as caught:
        read_settings(path, environment={})
    assert caught.value.status == 2
    assert caught.value.complaints[0].removeprefix(f"{path}:").startswith(said)


def test_all_faults_at_once(tmp_path: Path) -> None:
    path = written(tmp_path, 'zone = 3\nlok = 1\n[intake]\nbind = "nowhere"\n')
    with pytest.raises(FileError) as caught:
        read_settings(path, environment={"HANGTRUE_LOOK_AT": "noon"})
    assert len(caught.value.complaints) == 4
    assert any(one.startswith("HANGTRUE_LOOK_AT look_at:") for one in caught.value.complaints)


def test_a_certificate_opens_other_addresses(tmp_path: Path) -> None:
    text = '[intake]\nbind = "0.0.0.0:8883"\ncert = "server.pem"\nkey = "server.key"\n'
    settings = read_settings(written(tmp_path, text), environment={})
    assert settings.intake_bind == Address(host="0.0.0.0", port=8883)  # noqa: S104  (what is tested)
    assert (settings.intake_cert, settings.intake_key) == (Path("server.pem"), Path("server.key"))


def test_a_broker_is_described_whole_and_over_it_the_environment(tmp_path: Path) -> None:
    text = (
        '[intake]\nkind = "broker"\nbind = "0.0.0.0:1883"\n'
        '[intake.broker]\nhost = "broker.lan"\nport = 8883\npassword_file = "secret"\nca_file = "ca.pem"\n'
    )
    settings = read_settings(written(tmp_path, text), environment={"HANGTRUE_INTAKE_BROKER_PORT": "8884"})
    broker = Broker(host="broker.lan", port=8884, password_file=Path("secret"), ca_file=Path("ca.pem"))
    assert (settings.intake_kind, settings.broker) == ("broker", broker)
    assert broker.user == "collector"


@pytest.mark.parametrize(("content", "said"), [(b"zone = ", "TOML"), (b"\xff\xfe", "UTF-8")])
def test_what_is_not_toml(tmp_path: Path, content: bytes, said: str) -> None:
    (path := tmp_path / "hangtrue.toml").write_bytes(content)
    with pytest.raises(FileError, match=said):
        read_settings(path, environment={})


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="a file that can be read"):
        read_settings(tmp_path / "none.toml", environment={})


def test_messages_are_handed_on_as_they_were_written(tmp_path: Path) -> None:
    text = '[delivery]\nallow = ["10.0.0.0/8"]\n[[delivery.channel]]\nname = "post"\n'
    settings = read_settings(written(tmp_path, text), environment={})
    assert settings.delivery == {"allow": ["10.0.0.0/8"], "channel": [{"name": "post"}]}
    assert settings.source == tmp_path / "hangtrue.toml"
    with pytest.raises(FileError) as caught:
        read_settings(written(tmp_path, "delivery = 3\n"), environment={})
    assert caught.value.complaints == [
        f"{tmp_path / 'hangtrue.toml'} delivery: 3 came, a table [delivery] is needed"
    ]


def test_the_channels_of_the_example_can_be_used(tmp_path: Path) -> None:
    shown = example({"HOME": str(tmp_path)})
    start = shown.index("# [delivery]")
    opened = "\n".join(line.removeprefix("# ").removeprefix("#") for line in shown[start:].splitlines())
    settings = read_settings(written(tmp_path, opened), environment={})
    mail, hook = read_channels(settings.delivery, "the example")
    assert (mail.kind, mail.host, mail.port, hook.kind) == ("mail", "mail.example.org", 587, "webhook")
    assert mail.told.doors == ("saltmarsh-yard/north",)
