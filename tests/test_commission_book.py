"""Where results are kept: boots, engaged hours, a clock that nobody has set."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_py.commission import book as books
from firmware_py.commission.book import Book, Keeping, default_folder, safe, synced
from firmware_py.commission.estimate import CommissionError, Estimate
from firmware_py.controller import Controller
from firmware_py.live.engaged import Engaged
from firmware_py.messages import Mode, Tick
from firmware_py.settings_file import find_rig, load_rig

RIG = load_rig(find_rig("reference"))


def test_hours_add_up_and_a_boot_counts_once(tmp_path: Path) -> None:
    keeping = Keeping(tmp_path / "state")
    assert keeping.read().boots <= 1
    assert keeping.add(0.25).engaged_h == 0.25
    assert keeping.add(0.5).engaged_h == 0.75
    boots = keeping.read().boots
    assert keeping.read().boots == boots
    keeping.path.write_text('{"boot":"another","boots":7,"engaged_h":1.5}', encoding="utf-8")
    assert (keeping.read().boots, keeping.read().engaged_h) == (8, 1.5)
    assert keeping.add(-3.0).engaged_h == 1.5  # hours never go back


def test_spoilt_counts_are_told(tmp_path: Path) -> None:
    keeping = Keeping(tmp_path)
    keeping.path.write_text("[]", encoding="utf-8")
    with pytest.raises(CommissionError, match="holds no counts"):
        keeping.read()


def test_a_result_has_a_wall_time_only_from_a_clock_that_was_set(tmp_path: Path) -> None:
    book = Book(tmp_path, RIG)
    book.save("tilt", "x", 20.0, {"roll zero": Estimate(0.0, "rad", 1e-4)})
    found = book.load("tilt")
    assert found is not None
    assert (found.wall is not None) is synced()


def test_names_become_file_names() -> None:
    assert safe("my rig/../x") == "my-rig-..-x"
    assert safe("...") == "rig"


def test_the_folder_is_the_user_s_state(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "somewhere")
    assert default_folder() == Path("somewhere") / "linehold"
    assert books.UNSYNCED == 5  # TIME_ERROR, adjtimex(2)


def _tick(time_s: float, mode: Mode) -> Tick:
    tick = Controller(RIG).step(time_s, ())
    return Tick(**{name: getattr(tick, name) for name in tick.__struct_fields__} | {"mode": mode})


def test_only_automatic_without_a_gap_is_engaged_time(tmp_path: Path) -> None:
    engaged = Engaged(tmp_path)
    auto, neutral = _tick(1.0, Mode.AUTO), _tick(1.0, Mode.NEUTRAL)
    times = [(1.0, neutral), (1.5, auto), (2.0, auto), (2.5, neutral), (3.0, auto), (9.0, auto)]
    for time_s, tick in times:
        fields = {name: getattr(tick, name) for name in tick.__struct_fields__}
        engaged.put(Tick(**fields | {"time_s": time_s}))
    engaged.close()
    assert Keeping(tmp_path).read().engaged_h == pytest.approx(1.5 / 3600.0)
    engaged.close()
    assert Keeping(tmp_path).read().engaged_h == pytest.approx(1.5 / 3600.0)


def test_nothing_is_written_where_nothing_was_engaged(tmp_path: Path) -> None:
    engaged = Engaged(tmp_path)
    engaged.put(_tick(1.0, Mode.NEUTRAL))
    engaged.close()
    Engaged(None).close()
    assert not list(tmp_path.iterdir())
