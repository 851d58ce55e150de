"""The health screen: what stands there, what is not known, and what is stale."""

import random
import statistics

import pytest
from textual.pilot import Pilot

from firmware_py.guard.table import ROWS
from firmware_py.link.frames import Bye, Device, FromLoop
from firmware_py.messages import SCHEMA
from tests import tui_made as made
from tests.tui_panes import PaneApp, press, with_pane
from tui import health_words as words
from tui.health import Health, page
from tui.health_words import Fact, Grave
from tui.known import Known

NOW = made.NOW


def known(*frames: FromLoop) -> Known:
    one = Known()
    one.take(frames or (made.hello(), made.devices(), made.host(), made.beat()))
    return one


def of(facts: list[Fact], name: str) -> Fact:
    return next(fact for fact in facts if fact.name == name)


def test_percentiles_are_of_the_nearest_rank() -> None:
    """By hand: the rank is the percentage of the count, rounded up."""
    thousand = [n / 1000 for n in range(1, 1001)]
    assert words.percentile(thousand, 50.0) == 0.5
    assert words.percentile(thousand, 99.0) == 0.99
    assert words.percentile(thousand, 99.9) == 0.999
    five = [15.0, 20.0, 35.0, 40.0, 50.0]
    assert [words.percentile(five, p) for p in (5, 30, 40, 50, 100)] == [15, 20, 20, 35, 50]
    assert words.percentile([7.0], 99.9) == 7.0


def test_percentiles_agree_with_pythons_own() -> None:
    """Outside check: statistics.quantiles; the two methods differ by one rank at most."""
    values = sorted(random.Random(4).expovariate(1000.0) for _ in range(6000))
    cuts = statistics.quantiles(values, n=1000)
    for percent, cut in ((50.0, cuts[499]), (99.0, cuts[989]), (99.9, cuts[998])):
        rank = values.index(words.percentile(values, percent))
        assert values[rank - 1] <= cut <= values[rank + 1]


def test_lateness_is_of_the_last_minute() -> None:
    """A beat of 40 ms among 100 of 0.1 ms shows as the worst, and is gone a minute later."""
    frames = [made.beat(NOW + n / 100, late_s=0.04 if n == 50 else 0.0001) for n in range(101)]
    one = known(made.hello(), *frames)
    late = of(words.loop(one, NOW + 1.0), "late").words
    assert late == "p50 0.10, p99 0.10, p99.9 40.00, worst 40.00 ms over 1 s"
    one.take([made.beat(NOW + 60.8, late_s=0.0002)])
    assert "worst 0.20 ms" in of(words.loop(one, NOW + 60.8), "late").words


def test_the_loop_tells_missed_deadlines_work_and_health() -> None:
    one = known(made.hello(), made.host(), made.beat(missed=3, work_s=0.0021))
    facts = words.loop(one, NOW)
    assert of(facts, "missed") == Fact("missed", "3 deadlines", Grave.LOOK)
    assert of(facts, "work").words == "2.10 ms a tick of 10.00"
    health = of(facts, "health").words
    assert health == "left 0.71, right 0.64 of 1 at best, over 60 s at 0.080 s of dead time"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_every_fault_is_told_with_what_to_do(row) -> None:  # type: ignore[no-untyped-def]
    one = known(made.beat(faults=(row.name,)))
    (fact,) = words.faults(one, NOW)
    assert (fact.name, fact.words) == (row.name, row.words)
    assert fact.grave is not Grave.WELL
    shown = page(one, NOW, 76).plain
    assert row.name in shown
    assert "".join(row.words.split()) in "".join(shown.split())


def test_with_room_it_is_told_how_automatic_comes_back() -> None:
    one = known(made.beat(faults=("bar stuck", "far bar off")))
    facts = words.faults(one, NOW, more=True)
    assert [fact.name for fact in facts] == ["bar stuck", "", "far bar off"]
    assert facts[1].words == ("both valves neutral; automatic comes back: the driver engages again")


def test_a_fault_of_a_newer_loop_is_still_shown() -> None:
    (fact,) = words.faults(known(made.beat(faults=("moon too low",))), NOW)
    assert fact.name == "moon too low"
    assert fact.grave is Grave.BAD


def test_devices_with_age_rate_and_refusals() -> None:
    odd = (
        Device("bar.left", 2.6, 0.0, 12, "late samples"),
        Device("speed", None, 0.0, 0, ""),
        Device("air", 15.1, 0.0, 0, ""),
    )
    facts = words.devices(known(made.devices(NOW, *odd)), NOW)
    assert of(facts, "inertial") == Fact("inertial", "0.00 s old, 200 a second")
    late = "2.60 s old, 0 a second, refused 12: late samples"
    assert of(facts, "bar.left") == Fact("bar.left", late, Grave.LOOK)
    assert of(facts, "speed").words.startswith("no sample yet")
    assert of(facts, "speed").grave is of(facts, "air").grave is Grave.BAD


def test_what_is_not_told_is_not_known() -> None:
    one = known(made.hello(recording=""))
    assert words.devices_head(one, NOW) == "DEVICES  not known"
    assert words.host_head(one, NOW) == "COMPUTER AND RECORDING  not known"
    shown = page(one, NOW, 76).plain
    assert "nothing is recorded" in shown
    host = made.host(temperature_c=None, disk_free_bytes=None, loop_health=(None, 0.5))
    facts = words.computer(known(made.hello(), host), NOW)
    assert of(facts, "processor").words == of(facts, "disk").words == "not known"
    assert of(facts, "real time").words == "not known"
    loop = words.loop(known(made.hello(), host, made.beat()), NOW)
    assert "left not known, right 0.50" in of(loop, "health").words


def test_what_is_old_is_stale_each_at_its_own_pace() -> None:
    one = known()
    assert "STALE" not in page(one, NOW + 0.3, 76).plain
    facts = words.loop(one, NOW + 0.4)
    assert all("STALE" in of(facts, name).words for name in ("late", "missed", "work"))
    assert "STALE" in words.faults(one, NOW + 0.4)[0].words
    assert "STALE" not in of(facts, "health").words
    for age_s, stale in ((3.0, False), (3.1, True)):
        assert ("STALE" in words.devices_head(one, NOW + age_s)) is stale
    for age_s, stale in ((0.3, False), (0.4, True)):  # with the loop's tick their ages are old
        assert all(("STALE" in f.words) is stale for f in words.devices(one, NOW + age_s))
    for age_s, stale in ((15.0, False), (15.1, True)):
        assert ("STALE" in words.host_head(one, NOW + age_s)) is stale
        assert ("STALE" in of(words.computer(one, NOW + age_s), "disk").words) is stale


def test_the_computer_and_the_recording() -> None:
    facts = words.computer(known(), NOW)
    assert of(facts, "recording").words == "12.3 MB, out/run.mcap"
    assert of(facts, "disk") == Fact("disk", "25.0 GB free")
    assert of(facts, "processor").words == "51.5 °C"
    host = made.host(
        recording="The disk is full.", disk_free_bytes=999_999_999, temperature_c=80.0,
        power="The supply was too low.", realtime=("Memory is locked.", "No priority."),
    )  # fmt: skip
    facts = words.computer(known(made.hello(), host), NOW)
    assert facts[0] == Fact("recording", "The disk is full.", Grave.BAD)
    for name in ("disk", "processor", "power"):
        assert of(facts, name).grave is Grave.LOOK
    assert [fact.words for fact in facts[-2:]] == ["Memory is locked.", "No priority."]


def test_the_real_time_measures_come_with_the_hello_as_well() -> None:
    facts = words.computer(known(made.hello(realtime=("Memory is locked.",)), made.host()), NOW)
    assert of(facts, "real time").words == "Memory is locked."


def test_the_link_its_versions_and_its_losses() -> None:
    facts = words.link(known(made.hello(), made.beat(dropped=7)))
    assert of(facts, "link").words == "up"
    assert of(facts, "link version") == Fact("link version", f"1, messages {SCHEMA}")
    assert of(facts, "frames lost").words == "7 (all listeners together)"
    assert of(facts, "frames lost").grave is Grave.LOOK
    other = of(words.link(known(made.hello(version=9))), "link version")
    assert other == Fact(
        "link version", f"9, messages {SCHEMA}; this dashboard has 1, messages {SCHEMA}", "!!"
    )
    lost = words.link(known(made.hello(), Bye("The run has ended.")))[0]
    assert lost == Fact("link", "The run has ended.", Grave.BAD)


def test_a_number_turns_stale_on_the_screen_at_once() -> None:
    """Though the figures are painted twice a second only."""

    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "STALE" not in app.text()
        app.now_s += 0.31
        assert "STALE" in await press(app, pilot)

    with_pane(Health(), body)


def test_sizes() -> None:
    assert [words.size(n) for n in (0, 999, 1000, 12_345_678, 25_000_000_000)] == [
        "0 bytes", "999 bytes", "1.0 kB", "12.3 MB", "25.0 GB",
    ]  # fmt: skip


@pytest.mark.parametrize("width", [20, 60, 76, 99, 100, 196])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    everything = known(
        made.hello(recording="/home/somebody/" + "x" * 80 + ".mcap"),
        made.devices(NOW, Device("bar.left", 2.6, 0.0, 12, "late samples, all of them")),
        made.host(realtime=("The loop has no real-time priority: it may be late.",)),
        made.beat(faults=tuple(row.name for row in ROWS)),
    )
    for line in page(everything, NOW, width).plain.splitlines():
        assert len(line.rstrip()) <= max(width, 45)  # names, and ten letters beside them


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_the_screen_scrolls_where_it_is_small(size: tuple[int, int]) -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "DEVICES" in app.text()
        assert ("real time" in app.text()) == (size[1] > 24)
        text = await press(app, pilot, *["down"] * 12)
        assert "real time" in text

    faults = tuple(row.name for row in ROWS[:3])
    frames = made.hello(), made.devices(), made.host(), made.beat(faults=faults)
    with_pane(Health(), body, *frames, size=size)
