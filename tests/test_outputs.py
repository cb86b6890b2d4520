"""Files are written whole or not at all, for their owner alone; what an ended program left half written goes."""

import os
import resource
import signal
import stat
import time

import pytest

from triage.errors import StorageError
from triage.outputs import clear_parts, private_folder, written_whole


def write(path, data=b"whole", **more):
    with written_whole(path, error=StorageError, **more) as file:
        file.write(data)


@pytest.fixture(params=[0, 0o022, 0o077])
def umask(request):
    before = os.umask(request.param)
    yield
    os.umask(before)


def test_files_and_folders_are_their_owners_alone_whatever_the_umask(tmp_path, umask):
    private_folder(tmp_path / "a" / "b")
    write(tmp_path / "a" / "b" / "c")
    assert stat.S_IMODE((tmp_path / "a" / "b").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "a" / "b" / "c").stat().st_mode) == 0o600


def test_what_is_there_is_replaced_only_where_that_is_wanted_and_then_whole(tmp_path):
    path = tmp_path / "a"
    write(path, b"first")
    with pytest.raises(StorageError, match="exists already and is not overwritten"):
        write(path, b"second")
    with pytest.raises(ZeroDivisionError), written_whole(path, error=StorageError, over=True) as file:
        file.write(b"half")
        1 / 0  # noqa: B018
    assert path.read_bytes() == b"first"
    write(path, b"second", over=True)
    assert path.read_bytes() == b"second" and os.listdir(tmp_path) == ["a"]
    (tmp_path / "dead").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StorageError, match="exists already"):
        write(tmp_path / "dead")


def in_child(do) -> int:
    child = os.fork()
    if not child:
        code = 1
        try:
            code = do() or 0
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.parametrize("over", [False, True])
def test_a_full_disk_leaves_what_was_there_and_nothing_else(tmp_path, over):
    path = tmp_path / "a"
    if over:
        write(path, b"first")

    def fill():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        try:
            write(path, bytes(200_000), over=over)
        except StorageError as error:
            return 0 if "make room or name another folder" in str(error) else 2
        return 3

    assert in_child(fill) == 0
    assert os.listdir(tmp_path) == (["a"] if over else []) and (not over or path.read_bytes() == b"first")


@pytest.mark.parametrize("name", ["x" * 255, "\u0416" * 127, "\U0001f40d" * 60, ".x", "-"])
def test_names_as_long_as_the_file_system_takes(tmp_path, name):
    write(tmp_path / name)
    assert os.listdir(tmp_path) == [name]


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b", "\ud800", "no folder/x"])
def test_names_that_are_none_are_refused(tmp_path, name):
    with pytest.raises(StorageError, match="cannot be written"):
        write(tmp_path / name)
    assert os.listdir(tmp_path) == []


def test_what_an_ended_program_left_is_cleared_and_what_a_living_one_writes_is_not(tmp_path):
    path, read_end, write_end = tmp_path / "a", *os.pipe()
    child = os.fork()
    if not child:
        with written_whole(path, error=StorageError) as file:
            file.write(b"half")
            file.flush()
            os.write(write_end, b".")
            time.sleep(60)
        os._exit(0)
    os.read(read_end, 1)
    (tmp_path / "mine.part").write_text("no part of ours")
    (part,) = set(os.listdir(tmp_path)) - {"mine.part"}
    clear_parts(tmp_path)
    write(path, b"another's")
    assert sorted(os.listdir(tmp_path)) == sorted([part, "a", "mine.part"])
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    write(path, b"again", over=True)
    assert sorted(os.listdir(tmp_path)) == ["a", "mine.part"] and path.read_bytes() == b"again"
