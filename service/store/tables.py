"""The tables. `site_id` leads every key under a site: by it the store can be spread over several hosts.

Times are UTC. Records are kept as validated JSON (intake's models write them, nothing else does).
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlmodel import Field, SQLModel

NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
SQLModel.metadata.naming_convention = NAMING  # before the first table, so that Alembic can alter by name
metadata: MetaData = SQLModel.metadata


def _site_key() -> Any:
    return Column(String(32), ForeignKey("site.id", ondelete="CASCADE"), primary_key=True)


def _account_key(*, index: bool = False) -> Any:
    account = ForeignKey("account.id", ondelete="CASCADE")
    return Column(Integer, account, primary_key=True, autoincrement=False, index=index)


class Site(SQLModel, table=True):
    """A site: its record as JSON and the version that every change to record or readings raises."""

    id: str = Field(primary_key=True, max_length=32)
    name: str = Field(max_length=200, index=True)
    record: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    data_version: int = 0
    created_at: datetime
    owner_token_hash: str | None = Field(default=None, max_length=64, unique=True)
    code: str = Field(max_length=8, unique=True)
    """What is typed or scanned from the job sheet; no secret, it opens nothing without signing in."""


class Assignment(SQLModel, table=True):
    """An installer's own site: without such a row it is hidden from the installer."""

    site_id: str = Field(sa_column=_site_key())
    account_id: int = Field(sa_column=_account_key(index=True))


class ListedSite(SQLModel, table=True):
    """What the list of sites finds and sorts a site by; `service.store.listed` makes it from the record."""

    __tablename__ = "listed_site"

    site_id: str = Field(sa_column=_site_key())
    name: str = Field(max_length=200)
    timezone: str = Field(max_length=200)
    first_day: date
    """The day on which the first week begins: commissioned, else entered."""
    week_ends_at: datetime = Field(index=True)
    sought: str = Field(sa_column=Column(Text, nullable=False))
    """Name and serials, casefolded, a line each."""


class ReadingDay(SQLModel, table=True):
    """One unit's day on one grid: little-endian float32 values, zlib-compressed, NaN where not heard."""

    __tablename__ = "reading_day"
    __table_args__ = (
        CheckConstraint("interval_min IN (5, 10, 15, 30, 60)", name="interval"),
        CheckConstraint("offset_min >= 0 AND offset_min < interval_min", name="offset"),
    )

    site_id: str = Field(sa_column=_site_key())
    unit_serial: str = Field(primary_key=True, max_length=80)
    channel: str = Field(primary_key=True, max_length=20)
    day: date = Field(primary_key=True)
    interval_min: int = Field(primary_key=True)
    offset_min: int = Field(primary_key=True)
    """Minutes after the full interval where the grid starts (15 in a +05:45 zone with 30-minute readings)."""
    values: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    source: str = Field(default="", sa_column=Column(Text, nullable=False))
    """Who sent it; empty where nobody said so, `*` where several did, each of them in `ReadingSource`."""


class ReadingSource(SQLModel, table=True):
    """What one of several sources said of a unit's day, packed as there; `ReadingDay` holds the last word."""

    __tablename__ = "reading_source"

    site_id: str = Field(sa_column=_site_key())
    unit_serial: str = Field(primary_key=True, max_length=80)
    channel: str = Field(primary_key=True, max_length=20)
    day: date = Field(primary_key=True)
    interval_min: int = Field(primary_key=True)
    offset_min: int = Field(primary_key=True)
    source: str = Field(primary_key=True, max_length=300)
    values: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


class WeatherDay(SQLModel, table=True):
    """One weather channel's day, packed like `ReadingDay`; a plane's sensor is `poa_w_m2:PLANE`."""

    __tablename__ = "weather_day"

    site_id: str = Field(sa_column=_site_key())
    channel: str = Field(primary_key=True, max_length=220)
    day: date = Field(primary_key=True)
    interval_min: int = Field(primary_key=True)
    offset_min: int = Field(primary_key=True)
    values: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


class FetchedDay(SQLModel, table=True):
    """What an open weather service told of a UTC day at a site's place: hourly means by the contract's names.

    Kept apart from what was measured on site, which goes before it.
    """

    __tablename__ = "fetched_day"

    site_id: str = Field(sa_column=_site_key())
    day: date = Field(primary_key=True)
    service: str = Field(max_length=20)
    place: str = Field(max_length=20)
    """Where it was asked for, as `store.fetched` rounds it: a site that moves has none of its days."""
    fetched_at: datetime
    hours: dict[str, list[float | None]] = Field(sa_column=Column(JSON, nullable=False))


class WeatherAsked(SQLModel, table=True):
    """When an open service was last asked for a site's weather, when it will be again, and what went wrong."""

    __tablename__ = "weather_asked"

    site_id: str = Field(sa_column=_site_key())
    service: str = Field(max_length=20)
    asked_at: datetime | None = Field(default=None, index=True)
    next_at: datetime = Field(index=True)
    failing_since: datetime | None = None
    failure: str = Field(default="", max_length=20)
    """The kind, by `service.fetch`; empty where the last answer was one."""
    said: str = Field(default="", sa_column=Column(Text, nullable=False))
    """What the service itself said of it."""


class Payload(SQLModel, table=True):
    """What was sent, as it came (zlib-compressed), by its SHA-256: a batch sent twice is one row."""

    __table_args__ = (Index("ix_payload_problem_count", "site_id", "problem_count"),)

    site_id: str = Field(sa_column=_site_key())
    sha256: str = Field(primary_key=True, max_length=64)
    received_at: datetime
    kind: str = Field(max_length=20)
    content_type: str = Field(max_length=100)
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    problems: list[dict[str, Any]] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    source: str = Field(default="", sa_column=Column(Text, nullable=False))
    """From whom it came, as in `intake.take`; empty where nobody said so."""
    problem_count: int = 0
    """How many problems are listed; few batches have any, and those are sought."""


class VerificationRow(SQLModel, table=True):
    """A verification as made from one data version by one version of the code.

    `window` is `default` or `start/end` in ISO 8601.
    """

    __tablename__ = "verification"
    __table_args__ = (
        # The list of sites reads these of thousands of rows, each with a large result beside them.
        Index(
            "ix_verification_listed",
            "site_id",
            "window",
            "verdict",
            "lost_wh_per_day",
            "units_heard",
            "units_fitted",
        ),
    )

    site_id: str = Field(sa_column=_site_key())
    window: str = Field(primary_key=True, max_length=80)
    data_version: int
    made_by: str = Field(max_length=40)
    made_at: datetime
    verdict: str = Field(max_length=20)
    lost_wh_per_day: float = 0.0
    """The faults' lost energy, for a list of sites, the worst first, without opening each result."""
    units_heard: int = 0
    units_fitted: int = 0
    window_start: datetime | None = None
    window_end: datetime | None = None
    result: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    """The whole result with its curves: zlib-compressed JSON."""


class QualityRow(SQLModel, table=True):
    """What was the matter with the readings of a site's default window, from one data version by one code."""

    __tablename__ = "quality"

    site_id: str = Field(sa_column=_site_key())
    data_version: int
    made_by: str = Field(max_length=40)
    result: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    """zlib-compressed JSON."""


class SiteDay(SQLModel, table=True):
    """One day of a site on its own clock: energies over the same timestamps, as the verification that saw it had them.

    `made_by` is empty where the day's data has changed since and its figures are due again.
    """

    __tablename__ = "site_day"

    site_id: str = Field(sa_column=_site_key())
    day: date = Field(primary_key=True)
    measured_wh: float
    expected_wh: float
    possible_wh: float
    """Expected in all intervals, those that were not heard, too."""
    sky: str = Field(max_length=20)
    made_by: str = Field(max_length=40, index=True)


class CorrectionRow(SQLModel, table=True):
    """A correction of a site's record that somebody accepted, numbered from 1 on each site; rows are never removed."""

    __tablename__ = "correction"
    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("(undone_at IS NULL) = (undone_by IS NULL)", name="undone"),
    )

    site_id: str = Field(sa_column=_site_key())
    number: int = Field(primary_key=True)
    correction: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    changes: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    """What it changed, as intake tells it."""
    accepted_by: str = Field(max_length=120)
    accepted_at: datetime
    record_before: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    after_sha256: str = Field(max_length=64)
    """Fingerprint of the record that it made: the record may go back while it is this one."""
    undone_by: str | None = Field(default=None, max_length=120)
    undone_at: datetime | None = None


class RecordChangeRow(SQLModel, table=True):
    """A change of a site's record that somebody made on the pages, numbered from 1 on each site."""

    __tablename__ = "record_change"
    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("(undone_at IS NULL) = (undone_by IS NULL)", name="undone"),
        CheckConstraint("(undone_at IS NULL) = (record_after IS NULL)", name="after"),
    )

    site_id: str = Field(sa_column=_site_key())
    number: int = Field(primary_key=True)
    summary: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    """What it changed, in numbers, as intake tells it."""
    made_by: str = Field(max_length=120)
    made_at: datetime
    record_before: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    after_sha256: str = Field(max_length=64)
    """Fingerprint of the record that it made: it may be undone while the record is this one."""
    undone_by: str | None = Field(default=None, max_length=120)
    undone_at: datetime | None = None
    record_after: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    """The record that it made, kept while it is undone, so that it can be made again."""


class ApiToken(SQLModel, table=True):
    """A bearer token, kept as its SHA-256 only: for one site or for all, for reading only or for writing too."""

    __tablename__ = "api_token"

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(max_length=100)
    token_hash: str = Field(max_length=64, unique=True)
    created_at: datetime
    revoked_at: datetime | None = None
    site_id: str | None = Field(
        default=None, max_length=32, foreign_key="site.id", ondelete="CASCADE", index=True
    )
    """The one site that it opens; None: all of them."""
    read_only: bool = False
    last_used_at: datetime | None = None
    """To the minute or so, which is enough to tell a token in use from a forgotten one."""


class User(SQLModel, table=True):
    """Somebody who signs in: `office` sees every site, `installer` those assigned."""

    __tablename__ = "account"  # "user" is a reserved word in PostgreSQL
    __table_args__ = (CheckConstraint("role IN ('office', 'installer')", name="role"),)

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(max_length=100, unique=True)
    role: str = Field(max_length=20)
    password_hash: str = Field(max_length=200)
    """Empty, which no password opens, until the person who was invited has chosen one."""
    created_at: datetime
    disabled_at: datetime | None = None
    session_epoch: int = 0
    """Raised to end every session of the account."""

    @property
    def key(self) -> int:
        """Return the id, which every account has that is kept."""
        if self.id is None:
            raise ValueError("this account is not kept yet")
        return self.id


class PasswordLink(SQLModel, table=True):
    """A link by which its holder sets an account's password, once; a new one takes the place of the last."""

    __tablename__ = "password_link"

    account_id: int = Field(sa_column=_account_key())
    token_hash: str = Field(max_length=64, unique=True)
    expires_at: datetime


class FailedTries(SQLModel, table=True):
    """How often a caller failed to sign in since some moment; the caller is kept as a digest only."""

    __tablename__ = "failed_tries"

    caller: str = Field(primary_key=True, max_length=64)
    since: datetime = Field(index=True)
    count: int


class ExportMapping(SQLModel, table=True):
    """Answers given for one kind of exported file of a site, by the name that somebody gave the kind."""

    __tablename__ = "export_mapping"

    site_id: str = Field(sa_column=_site_key())
    name: str = Field(primary_key=True, max_length=60)
    answers: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))
    kind: str = Field(default="", sa_column=Column(Text, nullable=False))
    """What tells files of this kind from others, as `intake.export` says it; empty where it is not known."""


class Upload(SQLModel, table=True):
    """A file that somebody brought from another program, numbered from 1 on each site, and how far it has come.

    `coming` until all of it is here, then `looking` until it is known how it would be read: `asks` where a question is
    open, else `ready`; `taking` while it is stored, `done` after that. `failed` says in `errors` why.
    """

    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint(
            "state IN ('coming', 'looking', 'asks', 'ready', 'taking', 'done', 'failed')", name="state"
        ),
        Index("ix_upload_state", "state", "changed_at"),
    )

    site_id: str = Field(sa_column=_site_key())
    number: int = Field(primary_key=True)
    name: str = Field(max_length=200)
    sent_by: str = Field(max_length=120)
    sent_at: datetime
    changed_at: datetime
    state: str = Field(max_length=20)
    turn: int = 0
    """Raised when other work is wanted: what comes of an earlier turn is dropped."""
    size: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    sha256: str = Field(default="", max_length=64)
    mapping: str = Field(default="", max_length=60)
    """The name under which the answers are remembered once the file is stored."""
    answers: dict[str, str] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    to_take: bool = False
    """Stored as soon as no question is open, without anybody's word."""
    seen: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    total: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    """How much of how much the work in hand has seen."""
    worked_at: datetime | None = None
    """The last sign of life of whoever works on it."""
    tries: int = 0
    found: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    outcome: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    errors: list[Any] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))


class UploadPiece(SQLModel, table=True):
    """A piece (zlib-compressed) of a file as it was `sent`, or of the rows that were `rejected`, as JSON."""

    __tablename__ = "upload_piece"
    __table_args__ = (
        CheckConstraint("kind IN ('sent', 'rejected')", name="kind"),
        ForeignKeyConstraint(
            ["site_id", "number"],
            ["upload.site_id", "upload.number"],
            name="fk_upload_piece_site_id_upload",
            ondelete="CASCADE",
        ),
    )

    site_id: str = Field(primary_key=True, max_length=32)
    number: int = Field(primary_key=True)
    kind: str = Field(primary_key=True, max_length=10)
    part: int = Field(primary_key=True)
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


class Feed(SQLModel, table=True):
    """Topics of the broker whose messages hold a site's values, numbered from 1 on each site.

    While it is not `enabled`, its messages are only looked at. Moments that end in `_us` are microseconds since 1970.
    """

    __tablename__ = "feed"
    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("(due_from_us IS NULL) = (due_until_us IS NULL)", name="due"),
    )

    site_id: str = Field(sa_column=_site_key())
    number: int = Field(primary_key=True)
    topic: str = Field(max_length=500)
    """The filter, with names for its levels."""
    payload: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    """How samples are found in a message, as intake's model writes it."""
    enabled: bool
    messages: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    heard_at: datetime | None = None
    heard_topic: str = Field(default="", sa_column=Column(Text, nullable=False))
    heard_message: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    """The last message, unless it is too long to be looked at."""
    wrong: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    """Messages of which something was not understood."""
    wrong_at: datetime | None = None
    wrong_topic: str = Field(default="", sa_column=Column(Text, nullable=False))
    wrong_message: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    wrong_why: str = Field(default="", sa_column=Column(Text, nullable=False))
    due_from_us: int | None = Field(default=None, sa_column=Column(BigInteger))
    due_until_us: int | None = Field(default=None, sa_column=Column(BigInteger))
    """The span of samples that came since intervals were last made of them."""


class LiveSample(SQLModel, table=True):
    """A value on its way to an interval; one that is delivered twice is one row."""

    __tablename__ = "live_sample"
    __table_args__ = (
        ForeignKeyConstraint(["site_id", "feed"], ["feed.site_id", "feed.number"], ondelete="CASCADE"),
    )

    site_id: str = Field(primary_key=True, max_length=32)
    feed: int = Field(primary_key=True)
    serial: str = Field(primary_key=True, max_length=80)
    kind: str = Field(primary_key=True, max_length=20)
    at_us: int = Field(sa_column=Column(BigInteger, primary_key=True, autoincrement=False))
    value: float
    arrived_us: int = Field(sa_column=Column(BigInteger, nullable=False))


class BrokerState(SQLModel, table=True):
    """How it stands with the broker, in the one row of it: written by whoever listens, read by whoever is asked."""

    __tablename__ = "broker_state"
    __table_args__ = (CheckConstraint("id = 1", name="one"),)

    id: int = Field(default=1, primary_key=True)
    connected: bool
    reason: str = Field(default="", sa_column=Column(Text, nullable=False))
    """Why it is not connected."""
    since: datetime
    seen_at: datetime
    """When whoever listens last said so."""


class Subscription(SQLModel, table=True):
    """A filter to which the broker may hold a subscription of ours, so that none is forgotten there."""

    topic: str = Field(primary_key=True, max_length=500)


class AuditRow(SQLModel, table=True):
    """Somebody changed something. `site_id` refers to no row: what was done to a site outlives it."""

    __tablename__ = "audit"
    __table_args__ = (Index("ix_audit_site_id", "site_id", "id"),)

    id: int | None = Field(default=None, primary_key=True)
    at: datetime
    who: str = Field(max_length=120)
    action: str = Field(max_length=60)
    site_id: str | None = Field(default=None, max_length=32)
    details: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))


class PunchEntry(SQLModel, table=True):
    """A finding that somebody has to see to, numbered from 1 on each site, until readings prove it mended.

    `subject` is what it is about (`unit:SERIAL`, `branch:NAME`, `plane:NAME`, `site:CAUSE`, …): a fault that takes
    another name is still the same entry.
    """

    __tablename__ = "punch_entry"
    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("state IN ('open', 'looked_at', 'said_mended', 'closed', 'left')", name="state"),
        CheckConstraint("state <> 'said_mended' OR mended_at IS NOT NULL", name="mended"),
        Index("ix_punch_entry_state", "state"),
        Index("ix_punch_entry_subject", "site_id", "subject"),
    )

    site_id: str = Field(sa_column=_site_key())
    number: int = Field(primary_key=True)
    subject: str = Field(max_length=120)
    cause: str = Field(max_length=40)
    serials: list[str] = Field(sa_column=Column(JSON, nullable=False))
    """The units that it is about, those that took the place of others too."""
    plane: str | None = Field(default=None, max_length=100)
    branch: str | None = Field(default=None, max_length=100)
    finding: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    """The finding as it stood when the entry was opened, by the contract's names."""
    lost_wh_per_day: float = 0.0
    record_sha256: str = Field(max_length=64)
    """Fingerprint of the site's record then: a fault of the record goes away with another record."""
    opened_at: datetime
    opened_by: str = Field(max_length=120)
    state: str = Field(max_length=20)
    reason: str = Field(default="", sa_column=Column(Text, nullable=False))
    """Why it was left."""
    given_to: int | None = Field(
        default=None,
        sa_column=Column(ForeignKey("account.id", ondelete="SET NULL"), nullable=True, index=True),
    )
    due_on: date | None = None
    mended_at: datetime | None = None
    """From when on it is said to be mended."""
    closed_at: datetime | None = None
    reopened: int = 0
    before: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    """The units' performance indices with bands before it was mended, and their window."""
    proof: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    """What the readings since say, the newest word."""
    proved_version: int = -1
    """The site's data version that the proof was last asked of."""


class PunchStep(SQLModel, table=True):
    """Something that was done about an entry or seen at units, numbered from 1 on each site; never changed."""

    __tablename__ = "punch_step"
    __table_args__ = (UniqueConstraint("site_id", "nonce"), Index("ix_punch_step_entry", "site_id", "number"))

    site_id: str = Field(sa_column=_site_key())
    step: int = Field(primary_key=True)
    number: int | None = None
    """The entry's number; None for a note on units that have none."""
    serials: list[str] = Field(sa_column=Column(JSON, nullable=False))
    at: datetime
    who: str = Field(max_length=120)
    what: str = Field(max_length=20)
    note: str = Field(default="", sa_column=Column(Text, nullable=False))
    photo_id: str | None = Field(default=None, max_length=32)
    details: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    nonce: str | None = Field(default=None, max_length=64)
    """Of the form that it came with: one that is sent twice counts once."""


class Photo(SQLModel, table=True):
    """A photo from the roof as intake re-encoded it: JPEG without any metadata."""

    site_id: str = Field(sa_column=_site_key())
    id: str = Field(primary_key=True, max_length=32)
    kept_at: datetime
    kept_by: str = Field(max_length=120)
    width: int
    height: int
    jpeg: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
