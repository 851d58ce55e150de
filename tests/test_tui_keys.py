"""The table of keys: every action has one, and no two share one."""

import string

import pytest
from textual.keys import _character_to_key

from firmware_py.errors import LineholdError
from tui.keys import (
    ACTIONS,
    BY_NAME,
    SCREENS,
    KeysError,
    default_keys,
    key_of,
    key_words,
    keys_with,
    textual_keys,
)


def test_the_defaults_neither_clash_nor_miss_an_action() -> None:
    keys = default_keys()
    assert keys_with({}) == keys
    assert len(set(keys.values())) == len(ACTIONS) == len(BY_NAME)
    assert keys["hold_now"] == "space"
    assert [keys[name] for name in SCREENS] == ["1", "2", "3", "4", "5"]
    assert all(action.words and action.more for action in ACTIONS)


def test_every_default_is_a_key_that_a_file_could_give() -> None:
    for action in ACTIONS:
        assert key_of(key_words(action.key) if action.key == "question_mark" else action.key)


def test_signs_are_named_as_textual_names_them() -> None:
    """Outside check: Textual's own naming of printable characters."""
    for sign in string.ascii_letters + string.digits + string.punctuation + "éß§":
        assert key_of(sign) == _character_to_key(sign)


@pytest.mark.parametrize("written", ["", "ab", "f13", "ctrl+c", "ctrl+i", "\x07", "\t", "alt+x"])
def test_what_is_no_key_is_refused_with_the_action(written: str) -> None:
    with pytest.raises(KeysError, match="is no key") as caught:
        keys_with({"mark": written})
    assert caught.value.action == "mark"
    assert isinstance(caught.value, LineholdError)
    assert isinstance(caught.value, ValueError)


def test_an_unknown_action_names_the_nearest() -> None:
    with pytest.raises(KeysError, match="did you mean engage"):
        keys_with({"engag": "g"})


def test_a_clash_names_both_actions_and_blames_the_changed_one() -> None:
    with pytest.raises(KeysError, match='"d" is the key of both engage and datum') as caught:
        keys_with({"engage": "d"})
    assert caught.value.action == "engage"


def test_two_actions_may_swap_their_keys() -> None:
    keys = keys_with({"engage": "d", "datum": "e"})
    assert (keys["engage"], keys["datum"]) == ("d", "e")


@pytest.mark.parametrize("written", ["space", " ", "SPACE"])
def test_space_stays_with_the_valves(written: str) -> None:
    with pytest.raises(KeysError, match="always shuts the valves"):
        keys_with({"engage": written})
    assert keys_with({"hold_now": written})["hold_now"] == "space"


def test_hold_now_keeps_space_beside_another_key() -> None:
    assert textual_keys(default_keys(), "hold_now") == "space"
    assert textual_keys(keys_with({"hold_now": "f1"}), "hold_now") == "space,f1"
    assert textual_keys(keys_with({"help": "f1"}), "help") == "f1"


@pytest.mark.parametrize("key", ["enter", "escape"])
def test_the_keys_that_answer_are_not_given_away(key: str) -> None:
    with pytest.raises(KeysError, match="every screen"):
        keys_with({"mute": key})


def test_keys_are_shown_as_they_stand_on_the_keyboard() -> None:
    assert [key_words(k) for k in ("question_mark", "up", "space", "f5", "plus")] == [
        "?", "↑", "space", "f5", "+",
    ]  # fmt: skip
