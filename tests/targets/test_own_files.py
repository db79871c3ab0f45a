"""A user's own target file: its name, and that it is read anew when it has changed."""

from pathlib import Path

import pytest

from targets import InputError, load_target, loader
from tests.targets.test_loader import OWN_TEXT, SHIPPED_TEXT, edit, load_text

# (what the name is, text replaced in the file, its replacement, the whole message)
NAMES = [
    (
        "the name of a shipped target",
        'name = "mine"',
        'name = "acc8"',
        "edited.toml: name: the name must not be that of a shipped target, found 'acc8'; "
        "call it my_acc8, for example",
    ),
    (
        "a name that no list can hold",
        'name = "mine"',
        'name = "a,b"',
        "edited.toml: name: a target's name is letters, digits, _ and -, found 'a,b'; for example my_chip",
    ),
    (
        "a name that stands for all targets",
        'name = "mine"',
        'name = "all"',
        "edited.toml: name: the name must not be a word of the command, found 'all'; "
        "call it my_chip, for example",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), [row[1:] for row in NAMES], ids=[row[0] for row in NAMES])
def test_a_name_that_could_be_mistaken_is_refused(old: str, new: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_text(edit(OWN_TEXT, old, new), tmp_path)
    assert [str(fault) for fault in caught.value.faults] == [message]


def test_a_users_file_loads_from_anywhere(tmp_path: Path) -> None:
    mine, shipped = load_text(OWN_TEXT, tmp_path), load_target("acc8")
    assert mine == shipped.model_copy(update={"name": "mine"})


def test_a_file_that_changed_is_read_again(tmp_path: Path) -> None:
    assert load_text(OWN_TEXT, tmp_path).price_USD == 0.55
    assert load_text(OWN_TEXT.replace("price_USD = 0.55", "price_USD = 0.5"), tmp_path).price_USD == 0.5


def test_a_shipped_file_holds_the_target_it_is_called_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loader, "DATA_FOLDER", tmp_path)
    (tmp_path / "renamed.toml").write_text(SHIPPED_TEXT, encoding="utf-8")
    with pytest.raises(InputError, match="the name must be 'renamed', as asked for, found 'acc8'"):
        load_target("renamed")
