"""What was done is taken back whole, or it stays and can still be taken back."""

import pytest

from sleepbrux.core.errors import UsageError
from sleepbrux.practice import state
from sleepbrux.practice.state import Practice


@pytest.fixture
def practice(tmp_path):
    return Practice(tmp_path)


def test_what_another_hand_changed_stays_and_can_be_taken_back_once_that_is_mended(practice, tmp_path):
    file = tmp_path / "a.toml"
    file.write_bytes(b"before")
    with practice.changing("note", file):
        file.write_bytes(b"after")
    file.write_bytes(b"by a command")
    for _ in range(2):
        with pytest.raises(UsageError, match="was changed since"):
            practice.take_back()
        assert file.read_bytes() == b"by a command"
    file.write_bytes(b"after")
    assert practice.take_back() == "note"
    assert file.read_bytes() == b"before"
    with pytest.raises(UsageError, match="nothing to take back"):
        practice.take_back()


def test_after_a_full_disk_the_rest_is_taken_back(practice, tmp_path, monkeypatch):
    files = [tmp_path / name for name in ("a", "b", "new")]
    for file in files[:2]:
        file.write_bytes(b"before")
    with practice.changing("clenches", *files):
        for file in files:
            file.write_bytes(b"after")
    whole = state.replacing

    def full(path):
        if path == files[1]:
            raise OSError(28, "No space left on device")
        return whole(path)

    monkeypatch.setattr(state, "replacing", full)
    with pytest.raises(OSError, match="No space left"):
        practice.take_back()
    assert [file.read_bytes() for file in files] == [b"before", b"after", b"after"]
    monkeypatch.undo()
    assert practice.take_back() == "clenches"
    assert [file.read_bytes() for file in files[:2]] == [b"before", b"before"]
    assert not files[2].exists()
