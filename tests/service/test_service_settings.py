"""Settings of the service: where it may listen, and what it keeps of tokens."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.cli.main import main
from gateway.errors import UsageError
from gateway.service.settings import Settings, Token, load, loopback, new_token, right


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "localhost", "::1", "[::1]"])
def test_this_machine(host: str) -> None:
    assert loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.1.2.3", "localhost.example.org", ""])
def test_without_tokens_nobody_else_is_served(host: str) -> None:
    assert not loopback(host)
    with pytest.raises(UsageError, match="on this machine only"):
        load(None, {}, host=host)
    token = Token(name="night", hash=new_token("night")[1], roles=("read",))
    assert Settings(host=host, tokens=(token,)).host == host


def test_a_token_is_kept_as_its_hash_only() -> None:
    token, hashed = new_token("night")
    name, _, secret = token.partition(".")
    assert name == "night"
    assert secret not in hashed
    assert right(secret, hashed)
    assert not right(secret[:-1], hashed)
    assert new_token("night")[1] != hashed


def test_settings_from_file_environment_and_command_line(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("port = 1\nrate = 2\nworkers = 3\n")
    told = load(file, {"GATEWAY_SERVICE_RATE": "20", "GATEWAY_SERVICE_WORKERS": "4", "OTHER": "x"}, workers=5)
    assert (told.port, told.rate, told.workers) == (1, 20, 5)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("prot = 1", "key prot: there is no such key."),
        ("port = 'a'", "key port: it is not a whole number."),
        ("rate = -1", "key rate: it must be "),
        ("port = ", "no TOML"),
        ("[[tokens]]\nname='a'", "tokens.0"),
    ],
)
def test_mistakes_are_told_where_they_are(tmp_path: Path, text: str, what: str) -> None:
    file = tmp_path / "s.toml"
    file.write_text(text)
    with pytest.raises(UsageError) as caught:
        load(file, {})
    assert what in str(caught.value)


def test_the_command_makes_a_token(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--new-token", "night"]) == 0
    out = capsys.readouterr().out
    assert "\nnight." in out
    assert 'hash = "scrypt$' in out
    assert main(["serve", "--new-token", "no name"]) == 2


def test_the_command_refuses_to_listen_to_everybody(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--host", "0.0.0.0"]) == 2
    assert "--new-token" in capsys.readouterr().err
