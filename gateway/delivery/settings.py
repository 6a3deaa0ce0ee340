"""What the settings of targets and feeds share: tables, files and secrets that they name, TLS."""

from __future__ import annotations

import os
import ssl
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator


class Table(BaseModel):
    """A table of settings. Errors never show what was written: it may be a secret in the wrong place."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)


EnvName = Annotated[str, StringConstraints(pattern=r"^([A-Za-z_][A-Za-z0-9_]*)?$")]
"""Name of an environment variable, or "" for none."""

FilePath = Annotated[Path, Field(strict=False)]
"""A path, written as text."""


class SettingsError(Exception):
    """A setting, secret or file is missing or unusable; nothing was sent.

    Args:
        message: which one, without its content.

    Attributes:
        code: what a receipt calls it.
        reached: nothing got to an application.
    """

    code = "settings"
    reached = False

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class WithSecret(Table):
    """Settings that name where a secret is kept; the secret itself is not a setting."""

    secret_env: EnvName = Field(default="", description="environment variable that holds the secret")
    secret_file: FilePath | None = Field(default=None, description="file that holds the secret and nothing else")

    @model_validator(mode="after")
    def _one_place(self) -> WithSecret:
        if bool(self.secret_env) == (self.secret_file is not None):
            raise ValueError("name either secret_env or secret_file")
        return self

    def secret(self) -> str:
        """The secret as it is now, so that a renewed one is taken without a restart.

        Raises:
            SettingsError: it is not there.
        """
        return read_secret(self.secret_env, self.secret_file, "secret")


def read_secret(variable: str, file: Path | None, what: str) -> str:
    """A secret from an environment variable, or from a file whose last line end does not count.

    Raises:
        SettingsError: it is not there. The text names the setting and not its content, which may be a misplaced secret.
    """
    if file is None:
        text = os.environ.get(variable, "")
        if not text:
            raise SettingsError(f"the environment variable named by {what}_env is not set")
        return text
    text = read_file(file, f"{what}_file").removesuffix("\n").removesuffix("\r")
    if not text:
        raise SettingsError(f"the file named by {what}_file is empty")
    return text


def read_file(file: Path, setting: str) -> str:
    """The text of a file that a setting names.

    Raises:
        SettingsError: it cannot be read.
    """
    try:
        return file.read_text(encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"the file named by {setting} cannot be read: {error.strerror or 'no such file'}") from None
    except ValueError:
        raise SettingsError(f"the file named by {setting} is not UTF-8 text") from None


class Tls(Table):
    """Whom to trust, and who we are, on the way to a receiver."""

    ca_file: FilePath | None = Field(
        default=None, description="PEM file of the authorities to trust instead of the system's"
    )
    cert_file: FilePath | None = Field(default=None, description="PEM file of our certificate, for mutual TLS")
    key_file: FilePath | None = Field(default=None, description="PEM file of its key, unless cert_file holds it")
    passphrase_env: EnvName = Field(default="", description="environment variable that holds the passphrase of the key")
    passphrase_file: FilePath | None = Field(default=None, description="file that holds the passphrase of the key")

    @model_validator(mode="after")
    def _whole(self) -> Tls:
        if self.cert_file is None and (self.key_file or self.passphrase_env or self.passphrase_file):
            raise ValueError("a key needs its certificate in cert_file")
        if self.passphrase_env and self.passphrase_file:
            raise ValueError("name either passphrase_env or passphrase_file")
        return self

    def context(self) -> ssl.SSLContext:
        """What Python's ssl module makes of it; certificate and host name are always checked.

        Raises:
            SettingsError: a file is not there or is not what it should be.
        """
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except (OSError, ValueError) as error:
            raise SettingsError(f"the file named by tls.ca_file cannot be used: {_why(error)}") from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.cert_file is None:
            return context
        # Without a passphrase OpenSSL would ask for one on the terminal.
        passphrase = ""
        if self.passphrase_env or self.passphrase_file:
            passphrase = read_secret(self.passphrase_env, self.passphrase_file, "tls.passphrase")
        try:
            context.load_cert_chain(self.cert_file, self.key_file, password=passphrase)
        except (OSError, ValueError) as error:
            raise SettingsError(f"tls.cert_file and tls.key_file cannot be used together: {_why(error)}") from None
        return context


def _why(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return (error.reason or "not a PEM file, or the wrong passphrase").replace("_", " ").lower()
    return getattr(error, "strerror", None) or "it is not what it should be"
