"""The database itself: SQLite in the keeper's folder, or PostgreSQL by address; schema, locks, transactions."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from urllib.parse import quote

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from filelock import FileLock, Timeout
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from triage.errors import StorageError
from triage.outputs import make_private, private_folder
from triage.storage.folder import data_folder

#: Environment variable with the address of another database, such as postgresql+psycopg://name@host/triage
ADDRESS_VARIABLE = "TRIAGE_DATABASE"
FILE = "records.sqlite"
_WAIT_S = 60  # how long one writer waits for another
_DAMAGED = (11, 26)  # SQLite: malformed, not a database
_WHOLE_AGAIN = "the file is damaged: put it and the files beside it aside, then 'triage restore' of a backup makes it anew"
_OURS = ("photos", "hold_marks")  # how the names begin of what may lie in a folder that the program made
_LOCK_KEY = 7471001  # of the advisory lock that writers take in PostgreSQL


def is_there() -> bool:
    """Whether the keeper has a database: one at an address, or the file in the data folder."""
    return bool(os.environ.get(ADDRESS_VARIABLE, "").strip()) or (data_folder() / FILE).is_file()


class Database:
    """One database at its newest schema.

    Parameters
    ----------
    address
        An SQLAlchemy URL; None means ``TRIAGE_DATABASE``, and without that a file in the keeper's data folder.
    """

    def __init__(self, address: str | None = None) -> None:
        address = address or os.environ.get(ADDRESS_VARIABLE, "").strip()
        try:
            url = make_url(address) if address else URL.create("sqlite", database=str(data_folder() / FILE))
            self.name = url.render_as_string(hide_password=True)
            if url.get_backend_name() not in ("sqlite", "postgresql"):
                raise StorageError(f"{self.name}: needed: an address that begins with sqlite or postgresql")
            self.is_sqlite = url.get_backend_name() == "sqlite"
            #: The file of an SQLite database, None for any other.
            self.file = Path(url.database) if self.is_sqlite and url.database not in (None, "", ":memory:") else None
            #: Whether nothing can be written where it lies.
            self.read_only = self.file is not None and _can_only_be_read(self.file)
            if self.file is not None and not self.read_only:
                _make_file(self.file)
            self.engine = _engine(_reading_url(self.file) if self.read_only else url, self.is_sqlite, self.read_only)
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
            raise StorageError(f"{address}: not an address of a database ({error}); see README.md, Records") from error
        except (OSError, ValueError) as error:
            raise StorageError(f"{self.name}: cannot be made ({getattr(error, 'strerror', error)}); name another folder") from error
        locked = self.file is not None and not self.read_only
        try:
            with FileLock(f"{self.file}.lock", timeout=_WAIT_S, mode=0o600) if locked else nullcontext(), self.translated():
                self._migrate()
        except Timeout as error:
            raise StorageError(f"{self.name}: another program has been changing its schema for a minute") from error
        except OSError as error:
            raise StorageError(f"{self.name}: cannot be locked ({error.strerror}); name another folder") from error

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Every failure of the database as a `StorageError` that says which database and why."""
        try:
            yield
        except SQLAlchemyError as error:
            cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
            reason = " ".join(str(cause).split())[:200]
            code = (getattr(cause, "sqlite_errorcode", None) or 0) & 0xFF
            way = _WHOLE_AGAIN if code in _DAMAGED else "check that the database is there, yours, and not full"
            raise StorageError(f"{self.name}: {reason}; {way}") from error
        except UnicodeDecodeError as error:  # SQLite quotes what it cannot understand
            raise StorageError(f"{self.name}: holds text that is none; {_WHOLE_AGAIN}") from error
        except UnicodeEncodeError as error:
            raise StorageError(f"{self.name}: {str(error.object)[:60]!r} holds what is no character; needed: text in UTF-8") from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view of everything."""
        with self.translated(), self.engine.connect() as connection:
            if self.is_sqlite:
                connection.exec_driver_sql("BEGIN")
            else:
                connection.exec_driver_sql("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
            try:
                yield connection
            finally:
                connection.exec_driver_sql("ROLLBACK")

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One writer at a time; everything is written or nothing."""
        if self.read_only:
            raise StorageError(f"{self.name}: lies where nothing can be written, so nothing was changed; needed: a copy in a folder of yours")
        with self.translated(), self.engine.connect() as connection:
            if self.is_sqlite:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            else:
                connection.exec_driver_sql("BEGIN")
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK_KEY})")
            try:
                yield connection
            except BaseException:
                connection.exec_driver_sql("ROLLBACK")
                raise
            connection.exec_driver_sql("COMMIT")

    def schema(self) -> str | None:
        """The schema the database is at, None if it is empty."""
        with self.translated(), self.engine.connect() as connection:
            return MigrationContext.configure(connection).get_current_revision()

    def damage(self) -> tuple[str, ...]:
        """What the database itself finds wrong with its pages, indexes and keys; PostgreSQL looks after its own."""
        if not self.is_sqlite:
            return ()
        try:
            with self.reading() as connection:
                pages = [row[0] for row in connection.exec_driver_sql("PRAGMA integrity_check")]
                keys = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        except StorageError as error:
            return (str(error),)
        found = [f"the database is damaged ({one})" for one in pages if one != "ok"]
        return (*found, *(f"the database is damaged (a row of {row[0]} points to nothing in {row[2]})" for row in keys))

    def _migrate(self) -> None:
        known = [script.revision for script in ScriptDirectory.from_config(_alembic()).walk_revisions()]
        current = self.schema()
        if current is not None and current not in known:
            raise StorageError(
                f"{self.name}: its schema {current} is newer than this program knows ({known[0]}); nothing was touched; "
                "install a newer version of the program"
            )
        if current != known[0] and self.read_only:
            raise StorageError(f"{self.name}: is of an older form and lies where nothing can be written; needed: a copy in a folder of yours")
        if current != known[0]:
            with self.writing() as connection:
                # somebody else may have been quicker while this one waited
                if MigrationContext.configure(connection).get_current_revision() != known[0]:
                    config = _alembic()
                    config.attributes["connection"] = connection
                    command.upgrade(config, "head")


def upgrade_to(database_engine: Engine, schema: str) -> None:
    """Bring an empty or older database to a named schema: for tests of migrations."""
    with database_engine.connect() as connection:
        connection.exec_driver_sql("BEGIN")
        config = _alembic()
        config.attributes["connection"] = connection
        command.upgrade(config, schema)
        connection.exec_driver_sql("COMMIT")


def _alembic() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return config


def _can_only_be_read(file: Path) -> bool:
    return file.is_file() and not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))


def _make_file(file: Path) -> None:
    """The file and its folder, its owner's alone; older versions left them open to others."""
    private_folder(file.parent)
    os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))  # SQLite gives the files beside it the same mode
    make_private(file, *(file.with_name(file.name + end) for end in ("-wal", "-shm", ".lock")))
    if all(name.startswith((file.name, *_OURS)) for name in os.listdir(file.parent)):
        make_private(file.parent)  # and no folder that holds other things too


def _reading_url(file: Path) -> URL:
    """The address of a file that lies where nothing can be written: what it needs beside it is not made anew."""
    log = file.with_name(file.name + "-wal")
    way = {} if log.is_file() and log.stat().st_size else {"immutable": "1"}
    return URL.create("sqlite", database=f"file:{quote(str(file))}", query={"mode": "ro", "uri": "true", **way})


def _engine(url: URL, is_sqlite: bool, read_only: bool = False) -> Engine:
    # transactions are begun by hand, so that writers can be told from readers; no pool, so that a fork shares nothing
    engine = create_engine(url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    if is_sqlite:

        @event.listens_for(engine, "connect")
        def prepare(connection, _) -> None:
            connection.execute(f"PRAGMA busy_timeout = {_WAIT_S * 1000}")
            if read_only:
                return
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")

    return engine
