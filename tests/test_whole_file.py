"""Files are whole or not there, whatever stands in their place."""

import os

import pytest

from monitor.whole_file import write_whole


def test_a_new_file_and_one_in_place_of_an_old_one(tmp_path):
    for content in ("eins", "zwölf", b"\xff\x00"):
        write_whole(tmp_path / "file", content)
        expected = content if isinstance(content, bytes) else content.encode()
        assert (tmp_path / "file").read_bytes() == expected
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("place", ["", "no/such/file", "file/below", "folder"])
def test_where_no_file_can_be_it_says_so_and_leaves_nothing(tmp_path, place):
    (tmp_path / "file").write_text("mine")
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError):
        write_whole(tmp_path / place, "text")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder"]
    assert (tmp_path / "file").read_text() == "mine"


def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("mine")
    (tmp_path / f".file.{os.getpid()}.part").symlink_to("/dev/full")
    with pytest.raises(OSError, match="No space left"):
        write_whole(tmp_path / "file", "text")
    assert (tmp_path / "file").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_pipe_is_written_to_and_not_replaced(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, "text")
    assert os.read(reader, 10) == b"text"
    os.close(reader)
    assert pipe.is_fifo()
