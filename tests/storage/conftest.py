"""Databases to test with: a file, and PostgreSQL started here on loopback from Debian's package."""

import os
import shutil
import socket
import subprocess
import tempfile
import uuid
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.photo_files import PhotoFiles


def postgres_programs() -> Path | None:
    """The folder of initdb and pg_ctl: Debian keeps them off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


@contextmanager
def started_postgres():
    """Starts a server of its own; gives a function that makes an empty database of a name and returns its address."""
    programs = postgres_programs()
    # not in pytest's own folder: every run of pytest closes that to other users again, and the server is one
    folder = Path(tempfile.mkdtemp(prefix="triage-postgres-"))
    as_other: list[str] = []
    if os.getuid() == 0:  # the server refuses to run as root
        shutil.chown(folder, "postgres")
        as_other = ["runuser", "-u", "postgres", "--"]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data, user = folder / "data", "keeper"
    quiet = {"check": True, "stdout": subprocess.DEVNULL, "cwd": "/"}
    subprocess.run([*as_other, programs / "initdb", "-D", data, "-U", user, "-A", "trust", "--no-sync"], **quiet)
    options = (
        f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off -c max_connections=60"
    )
    subprocess.run(
        [*as_other, programs / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w", "start"], **quiet
    )
    server = f"postgresql+psycopg://{user}@127.0.0.1:{port}"

    def make(name: str) -> str:
        engine = create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return f"{server}/{name}"

    try:
        yield make
    finally:
        subprocess.run([*as_other, programs / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop"], **quiet)
        shutil.rmtree(folder)


@pytest.fixture(scope="session")
def postgres_server():
    """Makes empty databases on a server of the tests' own."""
    if postgres_programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    with started_postgres() as make:
        yield make


@pytest.fixture
def new_postgres(request):
    """Makes an empty PostgreSQL database and returns its address."""
    return lambda: request.getfixturevalue("postgres_server")(f"t{uuid.uuid4().hex[:12]}")


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request, tmp_path, new_postgres):
    """The address of an empty database of either kind."""
    return new_postgres() if request.param == "postgresql" else f"sqlite:///{tmp_path / 'records.sqlite'}"


@pytest.fixture
def new_address(request, address, tmp_path, new_postgres):
    """Makes an empty database of the same kind as the archive's and returns its address."""
    return new_postgres if address.startswith("postgresql") else lambda: f"sqlite:///{tmp_path / f'{uuid.uuid4().hex}.sqlite'}"


@pytest.fixture
def archive(address):
    return Archive(Database(address))


@pytest.fixture
def photos(tmp_path):
    return PhotoFiles(tmp_path / "photos")
