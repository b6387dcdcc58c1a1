"""Settings from the environment (`YIELDPROOF_…`), a `.env` file, or files named by `YIELDPROOF_…_FILE`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal, Self

from platformdirs import user_data_path
from pydantic import Field, SecretStr, ValidationError, ValidationInfo, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict
from sqlalchemy import make_url

PREFIX = "YIELDPROOF_"


class SettingsError(Exception):
    """A setting is missing or wrong; the message names it and the remedy."""


class _FileSource(PydanticBaseSettingsSource):
    """Reads a setting from the file that `YIELDPROOF_<NAME>_FILE` names, as container secrets come."""

    def get_field_value(self, field: Any, field_name: str) -> tuple[Any, str, bool]:  # noqa: ARG002 - the library's form
        path = os.environ.get(f"{PREFIX}{field_name.upper()}_FILE")
        if not path:
            return None, field_name, False
        try:
            return Path(path).read_text(encoding="utf-8").strip(), field_name, False
        except OSError as error:
            raise SettingsError(
                f"{PREFIX}{field_name.upper()}_FILE names {path!r}, which cannot be read "
                f"({error.strerror}); correct the path or its permissions."
            ) from error

    def __call__(self) -> dict[str, Any]:
        found = {name: self.get_field_value(f, name)[0] for name, f in self.settings_cls.model_fields.items()}
        return {name: value for name, value in found.items() if value is not None}


def default_data_dir() -> Path:
    """Return the user's data folder for this program."""
    return user_data_path("yieldproof", appauthor=False)


class Settings(BaseSettings):
    """Everything that can be set, by name; `load_settings` reads it.

    `secret_key` has no default: `serve` refuses to start without one.
    """

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_file=".env", extra="ignore")

    database_url: str = Field(default="", validate_default=True)
    """`sqlite:///PATH` or `postgresql://USER@HOST/NAME`; empty: a file in the user's data folder."""
    database_password: SecretStr | None = None
    """Put into `database_url`, so that the password can come from a file of its own."""
    secret_key: SecretStr | None = None
    """Signs sessions; at least 32 characters."""
    base_url: str = "http://127.0.0.1:8000"
    """The address that people's links carry."""
    secure_cookies: bool = False
    """Send cookies over HTTPS only: true wherever there is HTTPS."""
    trusted_proxies: str = "127.0.0.1"
    """Addresses, separated by commas, whose word on the caller's address and scheme is taken."""
    run_worker: bool = True
    """Run background jobs inside `serve`; false where `yieldproof worker` runs beside it."""
    firm_name: str = ""
    """Whom owners call, for every site whose record names nobody."""
    firm_phone: str = ""
    firm_email: str = ""
    weather: Literal["none", "nasa_power", "pvgis", "era5", "cams"] = "none"
    """The open service that is asked for the weather at sites; by default none, and nobody learns where they are."""
    weather_key: SecretStr | None = Field(default=None, validate_default=True)
    """The user's own key for `era5`."""
    weather_email: SecretStr | None = Field(default=None, validate_default=True)
    """The e-mail address of the user's own account for `cams`."""
    max_body_mb: int = Field(default=64, gt=0)
    """Largest body of a request, MB."""
    mqtt_url: str = ""
    """`mqtts://USER@HOST:8883` of the broker that the sites' feeds come from; empty: there is none."""
    mqtt_password: SecretStr | None = None
    mqtt_ca_file: Path | None = None
    """Certificates (PEM) by which the broker's is checked, where the system's own do not know it."""
    mqtt_client_id: str = Field(default="yieldproof", pattern=r"^[0-9A-Za-z_-]{1,64}$")
    """One for each installation on a broker: it keeps under this name what comes while nobody listens."""
    max_file_mb: int = Field(default=2048, gt=0)
    """Largest file of readings that another program exported, MB."""

    @field_validator("database_url")
    @classmethod
    def _known_database(cls, url: str) -> str:
        if not url:
            return f"sqlite:///{default_data_dir() / 'yieldproof.sqlite'}"
        if url.startswith("postgresql://"):
            return url.replace("postgresql://", "postgresql+psycopg://", 1)
        if not url.startswith(("sqlite:///", "postgresql+psycopg://")):
            raise ValueError("must start with sqlite:/// or postgresql://")
        if url == "sqlite:///" or ":memory:" in url:
            raise ValueError(
                "names no file; a database in memory ends with its connection. Give sqlite:///PATH"
            )
        return url

    @field_validator("secret_key")
    @classmethod
    def _long_enough(cls, key: SecretStr | None) -> SecretStr | None:
        if key is not None and len(key.get_secret_value()) < 32:
            raise ValueError("must have at least 32 characters; make one with: openssl rand -hex 32")
        return key

    @field_validator("weather_key", "weather_email")
    @classmethod
    def _access(cls, given: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        needing = {"weather_key": "era5", "weather_email": "cams"}[str(info.field_name)]
        if info.data.get("weather") == needing and not (given and given.get_secret_value().strip()):
            what = {"era5": "key for its data store", "cams": "e-mail address registered with it"}[needing]
            raise ValueError(
                f"{PREFIX}WEATHER={needing} needs your own {what}; give it or ask another service"
            )
        return given

    @property
    def weather_secret(self) -> str:
        """Return what the weather service knows its user by, empty where it asks for nothing."""
        given = {"era5": self.weather_key, "cams": self.weather_email}.get(self.weather)
        return given.get_secret_value().strip() if given else ""

    @model_validator(mode="after")
    def _with_password(self) -> Self:
        if self.database_password is not None and not self.database_url.startswith("sqlite"):
            url = make_url(self.database_url).set(password=self.database_password.get_secret_value())
            self.database_url = url.render_as_string(hide_password=False)
        return self

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - the library's form
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return init_settings, env_settings, _FileSource(settings_cls), dotenv_settings


def load_settings() -> Settings:
    """Return the settings; SettingsError names each one that is missing or wrong, and the remedy."""
    try:
        return Settings()
    except ValidationError as error:
        # The value itself stays out: it may be a secret.
        raise SettingsError(" ".join(_sentence(e["loc"], e["msg"]) for e in error.errors())) from None


def needed_secret_key(settings: Settings) -> str:
    """Return the secret key; SettingsError if there is none."""
    if settings.secret_key is None:
        raise SettingsError(
            f"{PREFIX}SECRET_KEY is not set; it signs the sessions of those who sign in. "
            "Make one with `openssl rand -hex 32` and keep it the same on every host."
        )
    return settings.secret_key.get_secret_value()


def _sentence(place: tuple[int | str, ...], message: str) -> str:
    name = f"{PREFIX}{'_'.join(map(str, place)).upper()}"
    return f"{name}: {message.removeprefix('Value error, ')}."
