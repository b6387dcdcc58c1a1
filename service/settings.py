"""Settings from the environment (`YIELDPROOF_…`), a `.env` file, or files named by `YIELDPROOF_…_FILE`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from platformdirs import user_data_path
from pydantic import SecretStr, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

PREFIX = "YIELDPROOF_"


class SettingsError(Exception):
    """A setting is missing or wrong; the message names it and the remedy."""


class _FileSource(PydanticBaseSettingsSource):
    """Reads a setting from the file that `YIELDPROOF_<NAME>_FILE` names, as container secrets come."""

    def get_field_value(self, field: Any, field_name: str) -> tuple[Any, str, bool]:
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
    """Everything that can be set. `secret_key` has no default: `serve` refuses to start without it."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_file=".env", extra="ignore")

    database_url: str = ""
    secret_key: SecretStr | None = None
    base_url: str = "http://127.0.0.1:8000"
    secure_cookies: bool = False
    run_worker: bool = True
    max_body_mb: int = 64

    @field_validator("database_url")
    @classmethod
    def _known_database(cls, url: str) -> str:
        if not url:
            return f"sqlite:///{default_data_dir() / 'yieldproof.sqlite'}"
        if url.startswith("postgresql://"):
            return url.replace("postgresql://", "postgresql+psycopg://", 1)
        if not url.startswith(("sqlite:///", "postgresql+psycopg://")):
            raise ValueError("must start with sqlite:/// or postgresql://")
        return url

    @field_validator("secret_key")
    @classmethod
    def _long_enough(cls, key: SecretStr | None) -> SecretStr | None:
        if key is not None and len(key.get_secret_value()) < 32:
            raise ValueError("must have at least 32 characters; make one with: openssl rand -hex 32")
        return key

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return init_settings, env_settings, _FileSource(settings_cls), dotenv_settings
