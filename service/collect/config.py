"""The collector's configuration file (TOML): read, checked and resolved. Sources are described by their own kinds."""

from __future__ import annotations

import os
import re
import ssl
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import urlsplit

from platformdirs import user_data_path
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
)
from pydantic_core import PydanticCustomError

from service.collect import kinds
from service.collect.layout import Layout
from service.collect.source import Sink
from service.intake.problems import FieldError, field_errors, field_path

SECRETS = ("token", "password")
"""Settings whose value may come from a file (`token_file`) or from the environment (`token_env`)."""


class ConfigError(Exception):
    """The configuration cannot be used; the message names each place, its problem and the remedy."""


P = TypeVar("P", bound="Part")


class Part(BaseModel):
    """A table of the file; what is not known in it is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


def wrong(text: str) -> PydanticCustomError:
    """Return the error that says what is the matter with a value and what to do."""
    return PydanticCustomError("config", "{text}", {"text": text})


def _web_address(given: str) -> str:
    parts = urlsplit(given)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise wrong("must be an address that begins with http:// or https://")
    if parts.username or parts.password:
        raise wrong("must not carry a password; give user and password under auth")
    return given.rstrip("/")


def _site(given: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,32}", given):
        raise wrong("must be the id of the site, as the last part of its page's address")
    return given


def _yes_or_no(given: Any) -> Any:
    if not isinstance(given, bool):
        raise wrong("must be true or false, without quotation marks")
    return given


YesNo = Annotated[bool, BeforeValidator(_yes_or_no)]
WebAddress = Annotated[str, AfterValidator(_web_address)]


class Trust(Part):
    """Whose certificate is taken at an https address."""

    ca_file: Path | None = None
    """The certificate of whoever signed the other's, for one that is not publicly known."""
    verify: YesNo = True
    """false takes any certificate: whoever is on the network may then listen and answer."""

    @field_validator("ca_file")
    @classmethod
    def _readable(cls, path: Path | None) -> Path | None:
        try:
            ssl.create_default_context(cafile=path)
        except ssl.SSLError:
            raise wrong("names a file that holds no certificate (PEM); name one that does") from None
        except OSError:
            raise wrong("names a file that cannot be read; correct the path or its permissions") from None
        return path


class ServicePart(Trust):
    """Where readings go."""

    url: WebAddress
    site: Annotated[str, AfterValidator(_site)]
    token: SecretStr
    timeout_s: float = Field(default=60, gt=0, le=600)


class CollectorPart(Part):
    """How the collector keeps what it reads and lays it into intervals."""

    outbox: Path = Field(
        default_factory=lambda: user_data_path("yieldproof", appauthor=False) / "outbox.sqlite"
    )
    interval_min: Literal[5, 10, 15, 30, 60] = 5
    largest_mb: int = Field(default=2000, ge=10, le=1_000_000)
    """So much is kept at most: years of a roof. Then nothing more is read until the service takes some."""
    send_every_s: float = Field(default=15, ge=1, le=3600)
    newest_first: YesNo = True
    """After days offline today's readings go before yesterday's."""


class SourcePart(Part):
    """What the sources of every kind have in common; a kind adds its own settings and `run`."""

    kind: str
    name: str = Field(min_length=1, max_length=60)

    def run(self, sink: Sink, stop: Event) -> None:
        """Read until `stop` is set; where it is set already, read once if that is possible."""
        raise NotImplementedError

    def probe(self) -> str:
        """Try once whether the source answers and say what it gave; Trouble says what hinders."""
        raise NotImplementedError

    def layout(self, usual_min: int) -> Layout:
        """Return how its samples are laid into intervals."""
        return Layout(usual_min)

    def remembered_as(self) -> str | None:
        """Return the name under which the service remembers how this source's files are to be read."""
        return None


class _Fixed(Part):
    service: ServicePart
    collector: CollectorPart = Field(default_factory=CollectorPart)


@dataclass(frozen=True)
class Config:
    """The whole file."""

    service: ServicePart
    collector: CollectorPart
    sources: tuple[SourcePart, ...]


def load(path: Path) -> Config:
    """Read the file; ConfigError if it cannot be used."""
    raw = _parsed(path)
    errors: list[FieldError] = []
    resolved = _resolved(raw, (), errors)
    sources = _sources(resolved.pop("source", []), _usual(resolved), errors)
    fixed = _checked(_Fixed, resolved, "", errors)
    if errors or fixed is None:
        raise _refused(path, errors)
    return Config(fixed.service, fixed.collector, sources)


def _parsed(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            f"{path} cannot be read ({error.strerror}); correct the path or its permissions."
        ) from None
    except UnicodeDecodeError:
        raise ConfigError(f"{path} is not UTF-8 text; save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path} is not valid TOML: {error}. Correct that line.") from None


def _resolved(
    table: dict[str, Any], place: tuple[str | int, ...], errors: list[FieldError]
) -> dict[str, Any]:
    """Return the table with secrets in the place of the files and variables that hold them."""
    found: dict[str, Any] = {}
    for key, value in table.items():
        stem, _, way = key.rpartition("_")
        if stem in SECRETS and way in ("file", "env"):
            found[stem] = _secret(value, way, (*place, key), errors)
        elif isinstance(value, dict):
            found[key] = _resolved(value, (*place, key), errors)
        elif isinstance(value, list):
            found[key] = [
                _resolved(v, (*place, key, i), errors) if isinstance(v, dict) else v
                for i, v in enumerate(value)
            ]
        else:
            found[key] = value
    return found


def _secret(named: Any, way: str, place: tuple[str | int, ...], errors: list[FieldError]) -> str:
    problem, secret = "must be a text in quotation marks", ""
    if isinstance(named, str):
        problem, secret = _from_file(named) if way == "file" else _from_environment(named)
    if problem:
        errors.append(FieldError(field_path(place), problem))
    return secret or "?"


def _from_file(named: str) -> tuple[str, str]:
    try:
        secret = Path(named).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return "names a file that cannot be read; correct the path or its permissions", ""
    return ("", secret) if secret else ("names an empty file; put the secret into it", "")


def _from_environment(named: str) -> tuple[str, str]:
    secret = os.environ.get(named, "").strip()
    return (
        ("", secret)
        if secret
        else ("names a variable that is not set where the collector starts; set it", "")
    )


def _usual(resolved: dict[str, Any]) -> Any:
    collector = resolved.get("collector")
    return collector.get("interval_min", 5) if isinstance(collector, dict) else 5


def _sources(given: Any, usual_min: Any, errors: list[FieldError]) -> tuple[SourcePart, ...]:
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        errors.append(FieldError("source", "must be written as [[source]], once for each source"))
        return ()
    if not given:
        errors.append(FieldError("source", "is missing; describe at least one under [[source]]"))
    for table in given:
        if isinstance(table.get("payload"), dict):
            table["payload"].setdefault("interval_min", usual_min)
    found = [one for i, table in enumerate(given) if (one := _source(table, i, errors)) is not None]
    names = [one.name for one in found]
    for name in sorted({n for n in names if names.count(n) > 1}):
        errors.append(FieldError("source", f"two are named {name}; give each a name of its own"))
    return tuple(found)


def _source(table: dict[str, Any], i: int, errors: list[FieldError]) -> SourcePart | None:
    kind = table.get("kind")
    if kind not in kinds.KINDS:
        errors.append(FieldError(f"source[{i}].kind", f"must be one of {', '.join(kinds.KINDS)}"))
        return None
    return _checked(kinds.model_of(kind), table, f"source[{i}].", errors)


def _checked(model: type[P], table: dict[str, Any], prefix: str, errors: list[FieldError]) -> P | None:
    try:
        return model.model_validate(table)
    except ValidationError as error:
        found = field_errors(error.errors(), lambda loc: _known(model, loc[:-1]))
        errors += [FieldError(f"{prefix}{one.field}".removesuffix("."), one.message) for one in found]
        return None


def _known(model: Any, loc: Iterable[str | int]) -> Iterable[str]:
    """Return the names that a table may have."""
    for part in loc:
        field = model.model_fields.get(part) if isinstance(part, str) else None
        model = field.annotation if field is not None else None
        if not hasattr(model, "model_fields"):
            return ()
    return tuple(model.model_fields)


def _refused(path: Path, errors: Iterable[FieldError]) -> ConfigError:
    listed = "\n".join(f"  {e.field}: {e.message}" if e.field else f"  {e.message}" for e in errors)
    return ConfigError(f"{path} cannot be used:\n{listed}")
