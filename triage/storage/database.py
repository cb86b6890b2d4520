"""The database itself: SQLite in the keeper's folder, or PostgreSQL by address; schema, locks, transactions."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from filelock import FileLock, Timeout
from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from triage.errors import StorageError
from triage.storage.folder import data_folder

#: Environment variable with the address of another database, such as postgresql+psycopg://name@host/triage
ADDRESS_VARIABLE = "TRIAGE_DATABASE"
FILE = "records.sqlite"
_WAIT_S = 60  # how long one writer waits for another
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
        address = address or os.environ.get(ADDRESS_VARIABLE, "").strip() or f"sqlite:///{data_folder() / FILE}"
        try:
            url = make_url(address)
            self.name = url.render_as_string(hide_password=True)
            if url.get_backend_name() not in ("sqlite", "postgresql"):
                raise StorageError(f"{self.name}: needed: an address that begins with sqlite or postgresql")
            self.is_sqlite = url.get_backend_name() == "sqlite"
            if self.is_sqlite:
                Path(url.database or "").parent.mkdir(parents=True, exist_ok=True)
                lock = FileLock(f"{url.database}.lock", timeout=_WAIT_S)
            self.engine = _engine(url, self.is_sqlite)
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
            raise StorageError(f"{address}: not an address of a database ({error}); see README.md, Records") from error
        except OSError as error:
            raise StorageError(f"{address}: cannot be made ({error.strerror}); name another folder") from error
        with self.translated():
            if self.is_sqlite:
                try:
                    with lock:
                        self._migrate()
                except Timeout as error:
                    raise StorageError(
                        f"{self.name}: another program has been changing its schema for a minute"
                    ) from error
            else:
                self._migrate()

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Every failure of the database as a `StorageError` that says which database and why."""
        try:
            yield
        except SQLAlchemyError as error:
            cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
            reason = " ".join(str(cause).split())[:200]
            raise StorageError(
                f"{self.name}: {reason}; check that the database is there, yours, and not full"
            ) from error
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

    def _migrate(self) -> None:
        known = [script.revision for script in ScriptDirectory.from_config(_alembic()).walk_revisions()]
        current = self.schema()
        if current is not None and current not in known:
            raise StorageError(
                f"{self.name}: its schema {current} is newer than this program knows ({known[0]}); nothing was touched; "
                "install a newer version of the program"
            )
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


def _engine(url, is_sqlite: bool) -> Engine:
    # transactions are begun by hand, so that writers can be told from readers; no pool, so that a fork shares nothing
    engine = create_engine(url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    if is_sqlite:

        @event.listens_for(engine, "connect")
        def prepare(connection, _) -> None:
            connection.execute(f"PRAGMA busy_timeout = {_WAIT_S * 1000}")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")

    return engine
