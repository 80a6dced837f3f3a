"""From chapter to chapter: what one leaves the next gets, the bare mat is asked for once, nothing to keep is lost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from projector.guide import leading, steps
from projector.guide.carried import StripWidth
from projector.guide.chapters import UnitsChapter, chapters_of
from projector.guide.leading import MACHINES, Carried, Machine
from projector.guide.looks import HandSeen, KeyPressed, Look, MatCleared, Seen
from projector.guide.meanings import MEANINGS
from projector.guide.scene.scenes import Scene, Words
from projector.guide.units import cutting
from projector.piecing.planfile import demo_plan
from projector.piecing.plans import Cut, Fabric, Plan, Strip, Unit

AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in
EMPTY = Seen(())


@dataclass(frozen=True)
class Toy:
    """A chapter of so many keys after the bare mat; it hears its number from what was carried, and carries it on."""

    keys: int


@dataclass(frozen=True)
class Playing:
    keys: int
    carried: int
    waits: bool = True
    stopped: bool = False

    @property
    def look(self):
        return Look("bare" if self.waits else "units")

    @property
    def done(self):
        return self.stopped or (not self.waits and self.keys == 0)

    @property
    def waits_for_cloth(self):
        return self.keys == 1


def begin_toy(chapter, plan, area_mat_mm, carried):
    state = Playing(chapter.keys, sum(carried.made))
    return steps.Step(state, Scene("toy"), ({"event": "ask", "what": "clear_mat"},))


def step_toy(state, seen):
    if state.waits:
        told = ({"event": "seen", "what": f"bare mat, {state.carried} before"},)
        return steps.Step(replace(state, waits=not isinstance(seen, MatCleared)), Scene("toy"), told)
    if not isinstance(seen, KeyPressed):
        return steps.Step(state, Scene("toy"))
    if seen.key == "q":
        return steps.Step(replace(state, stopped=True), Scene("toy"))
    return steps.Step(replace(state, keys=state.keys - 1), Scene("toy"), (), (seen.key,))


def left_by_toy(state, carried):
    return replace(carried, made=(*carried.made, 1))


@pytest.fixture
def toys(monkeypatch):
    """Chapters of these many keys, in place of a plan's own."""
    monkeypatch.setitem(MACHINES, Toy, Machine(begin_toy, step_toy, left_by_toy))

    def led(*keys):
        monkeypatch.setattr(leading, "chapters_of", lambda plan, layers: tuple(Toy(count) for count in keys))
        return leading.begin(Plan("toys"), AREA)

    return led


def play(now, *script):
    events, records = list(now.events), []
    for seen in script:
        now = leading.step(now.state, seen)
        events, records = events + list(now.events), records + list(now.records)
    return now, [event["what"] for event in events], records


SPACE, Q = KeyPressed("space"), KeyPressed("q")


def test_the_bare_mat_is_asked_for_once_and_what_was_learned_goes_on(toys) -> None:
    now, said, kept = play(toys(1, 2), MatCleared(), SPACE, SPACE)
    assert said == ["clear_mat", "bare mat, 0 before", "bare mat, 1 before"]
    assert kept == ["space", "space"]
    assert (now.state.index, now.state.done) == (1, False)
    done, _, _ = play(now, SPACE)
    assert done.state.done
    assert not done.state.stopped


def test_chapters_with_nothing_to_do_are_passed_in_one_step(toys) -> None:
    now, said, kept = play(toys(1, 0, 0, 3), MatCleared(), SPACE)
    assert (now.state.index, now.state.inner.carried) == (3, 3)
    assert said[-1] == "bare mat, 3 before"
    assert kept == ["space"]


def test_who_stops_in_one_chapter_is_led_into_no_other(toys) -> None:
    now, _, _ = play(toys(2, 2), MatCleared(), Q)
    assert (now.state.done, now.state.stopped, now.state.index) == (True, True, 0)


def test_the_demo_plan_is_led_as_its_cutting_alone() -> None:
    """Step for step the same scenes, events and looks as without chapters."""
    plan = demo_plan()
    assert chapters_of(plan) == (UnitsChapter(),)
    led, alone = leading.begin(plan, AREA), cutting.begin(plan, AREA)
    for seen in (HandSeen(), MatCleared(), EMPTY, KeyPressed("b"), HandSeen(), KeyPressed("q")):
        assert (led.scene, led.events, led.records) == (alone.scene, alone.events, alone.records)
        assert led.state.look.kind == alone.state.look.kind
        assert [one.name for one in led.state.look.expected] == [one.name for one in alone.state.look.expected]
        led, alone = leading.step(led.state, seen), cutting.step(alone.state, seen)
    assert led.state.done
    assert led.state.stopped


def test_what_was_made_before_is_not_asked_for_again() -> None:
    plan = demo_plan()
    now = leading.begin(plan, AREA, Carried((7, 6)))
    assert now.state.done
    now = leading.step(leading.begin(plan, AREA, Carried((7, 2))).state, MatCleared())
    assert [(event["n"], event["name"]) for event in now.events] == [(10, "lamp strip")]


def test_a_plan_with_nothing_to_cut_is_refused() -> None:
    with pytest.raises(ValueError, match="no unit"):
        leading.begin(Plan("sewn only", units=(Unit("a block", written="square(4 in)"),)), AREA)


def test_strips_come_first_and_their_widths_are_carried_on() -> None:
    """A made-up plan with cloth to buy: the fabric's chapter, and what is kept of it, by its own machine's record."""
    strips = (Strip("A strip", 50.0, 1000.0, (), ("sea",), count=2),)
    plan = Plan("one fabric", strips, (Unit("block", Cut("A strip", 2, 50.0)),), fabrics=(Fabric("sea", 100.0, 228.6),))
    now = leading.step(leading.begin(plan, AREA, layers=2).state, MatCleared())
    assert [event["what"] for event in now.events] == ["cloth"]
    assert now.state.look == Look("yardage", (), 2)
    before = Carried(strips=(StripWidth("A strip", 0, "sea", 50.1, 0.1), StripWidth("A strip", 0, "sea", 48.0, 0.1, 0)))
    now = leading.step(leading.begin(plan, AREA, before, layers=2).state, MatCleared())
    assert now.events[0]["n"] == 2  # the narrow one does not count
    now = leading.step(now.state, SPACE)  # the other one is cut already
    assert [event["what"] for event in now.events] == ["strip"]
    assert now.state.carried.strips == before.strips


def test_help_is_a_page_on_request_that_any_key_or_anything_seen_closes_but_the_end_ends():
    """All keys of all chapters are on it; the chapter below it hears nothing of the keys that open and close it."""
    begun = leading.begin(demo_plan(), AREA)
    asked = leading.step(begun.state, KeyPressed("h"))
    assert asked.scene.name == "help"
    assert asked.state.inner is begun.state.inner
    said = {mark.text for mark in asked.scene.marks if isinstance(mark, Words)}
    names = {"space": "space", "pagedown": "page down", "pageup": "page up", "escape": "q"}
    assert {names.get(key, key) for key in MEANINGS} <= said
    for closing in (KeyPressed("space"), KeyPressed("h")):
        closed = leading.step(asked.state, closing)
        assert closed.state.inner is begun.state.inner
        assert closed.scene == begun.scene
        assert not closed.state.helps
    cleared = leading.step(asked.state, MatCleared())
    assert cleared.scene.name == "lay_strip"
    assert not cleared.state.helps
    assert leading.step(asked.state, KeyPressed("q")).state.stopped
