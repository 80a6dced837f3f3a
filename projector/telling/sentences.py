"""Events in words: one short line each, for the person and for logs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from projector.piecing.lengths import INCH_MM, inches_text, mm_text
from projector.telling.piecewords import block_words, finest_of, strip_words
from projector.telling.recordwords import entry_words, session_words
from vision.comparing.wording import finding_text, sides_text

ASKS = {
    "sheet_flat": "lay the printed sheet flat on the mat",
    "sheet_tilted": "hold or prop the printed sheet at a tilt",
    "clear_mat": "clear the mat",
    "mat_corners": "lay something small and round on the mat's corner",
    "read_figure": "read a, b and c with your own ruler, from cross to cross, and type them like a=203.4 mm",
    "cloth": "lay the cloth on the mat",
    "strip": "lay the strip on the mat",
    "strip_set": "lay the strip set on the mat",
    "cut": "cut along the line",
    "trim": "trim along the line",
    "unit": "lay the cut unit on the mat",
    "take_unit": "take the unit away",
    "turn_cloth": "turn the cloth",
    "block": "lay the block on the mat",
    "confirm": "press space to go on",
}
THINGS = {"sheet_flat": "flat sheet", "sheet_tilted": "tilted sheet", "clear_mat": "empty mat"}
FINEST_POWER = 7  # 1/128 in is the finest fraction that anybody at a cutting table reads
DEVICE_DOES = {"camera": "is sure to", "projector": "lands within"}
RIG_DOES = {"lands": "a projected line lands", "sees": "the camera places a point"}
PARTS = {"repeatable": "the picture's", "rig": "the rig's", "scale": "the scale's", "height": "the cloth's height's"}
FIGURES_LEFT_OUT = frozenset({"event", "t", "what"})


def sentence(event: Mapping[str, Any]) -> str:
    """One line of words for an event of any kind."""
    match event:
        case {"event": "ask", "words": list(words)}:
            return "\n".join([*words, sentence({key: value for key, value in event.items() if key != "words"})])
        case {"event": "refused", "what": "caution"}:
            return _hard_to_read(event)
        case {"event": "ask", "what": what}:
            return f"Please {_asked(event, what)}{_place(event)}{_count(event)}{_instead(event)}."
        case {"event": "seen", "what": "figure"}:
            return _figure_seen(event)
        case {"event": "seen", "what": "run_chart" | "sample" | "pile", "words": str(words)}:
            return f"Note: {words}."
        case {"event": "seen", "what": "view", "view": str(view)}:
            return f"Seen: {view}."
        case {"event": "seen", "what": "scale"}:
            doubt = f"all sizes are doubtful by {100 * event['scale_u']:.2g} % ({event['scale_how']})"
            return f"Note: {doubt}, so most verdicts will be close; {event['do']}."
        case {"event": "seen", "what": "records", "saved": saved}:
            return f"Saved after all: {saved} in {event['where']}."
        case {"event": "seen", "what": "unsaved", "file": file}:
            return f"Left from before, not in the records: {file}; {event['do']}."
        case {"event": "seen", "what": "session", "verdicts": _}:
            return session_words(event)
        case {"event": "seen", "what": "entry", "measured": _}:
            return entry_words(event)
        case {"event": "seen", "what": "flashing"}:
            return f"Note: {event['do']}."
        case {"event": "seen", "what": what}:
            return f"Seen: {_thing(what)}{_figures(event)}."
        case {"event": "refused", "what": "records", "left": left}:
            return f"Not saved: {left} of what was judged, see {event.get('file') or 'above'}; {event['do']}."
        case {"event": "refused", "what": "records"}:
            return f"Not saved yet: {event['do']}."
        case {"event": "refused", "what": "picture", "why": str(why)}:
            return f"Not used, {why}: {event['do']}."
        case {"event": "refused", "what": what, "why": why}:
            return f"Not used, {_thing(what)} {_words(why)}: {event.get('do') or 'try again'}."
        case {"event": "shown", "scene": scene}:
            return f"Light: {_words(scene)}{_kept(event)}."
        case {"event": "unit"}:
            return _unit(event)
        case {"event": "strip", "ends": _}:
            return strip_words(event)
        case {"event": "block", "tips_mat_mm": _}:
            return block_words(event)
        case {"event": "rig", "file": file}:
            return f"Rig {file}{_rig_figures(event)}."
        case {"event": "moved", "what": what, "by_mm": by_mm}:
            return f"The {_words(what)} has moved by {mm_text(by_mm)}."
        case {"event": "summary" | "block", "words": list(words)}:
            return "\n".join(words)
        case {"event": "summary"}:
            return _summary(event)
        case {"event": "error", "message": message}:
            return f"Error: {message}{_and_do(event)}"
        case {"event": kind}:
            return f"{_words(str(kind)).capitalize()}{_figures(event)}."
        case _:
            raise ValueError("an event says its kind under 'event'")


def _asked(event: Mapping[str, Any], what: str) -> str:
    """What is wanted; of cloth which one, and how it is to lie; of a truing cut why."""
    asked = ASKS.get(what, _words(what))
    if what == "cloth" and event.get("name"):
        return f"{asked}: {event['name']}, {event['how']}"
    return f"{asked}: {event['why']}" if event.get("why") else asked


def _hard_to_read(event: Mapping[str, Any]) -> str:
    """That the cautions in the light may not be read, and so the cautions themselves."""
    found = event.get("contrast")
    contrast = f" (contrast {found:.1f} to 1, {event['least']} is wanted)" if found is not None else ""
    return f"The cautions may be hard to read in the light{contrast}: {event['do']}. {'. '.join(event['cautions'])}."


def _figure_seen(event: Mapping[str, Any]) -> str:
    sides = [
        f"{name} is drawn {length:.2f} mm long and seen {event['seen_mm'][name]:.2f}"
        + (f", read {length + event['off_mm'][name]:.2f}" if name in event.get("off_mm", {}) else "")
        for name, length in event["lengths_mm"].items()
    ]
    closes = f"light lands {event['closure_mm']:.2f} mm RMS off, {event['closure_worst_mm']:.2f} at worst"
    return f"Figure: {'; '.join(sides)}; {closes}. {_capital(event['words'])}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _words(code: str) -> str:
    return str(code).replace("_", " ")


def _thing(what: str) -> str:
    return THINGS.get(what, _words(what))


def _count(event: Mapping[str, Any]) -> str:
    n, of = event.get("n"), event.get("of")
    if n is None:
        return ""
    return f" ({n} of {of})" if of is not None else f" ({n})"


def _instead(event: Mapping[str, Any]) -> str:
    return f"; {event['instead']}" if event.get("instead") else ""


def _place(event: Mapping[str, Any]) -> str:
    """Where on the mat, told by the middle of the place."""
    if event.get("where"):
        lift = event.get("lift")
        lifted = f", its {lift} edge raised by about {event['lift_mm'] / 10:.0f} cm" if lift else ""
        return f" {event['where']}{lifted}"
    place = event.get("place")
    if not place or place.get("frame") != "mat":
        return ""
    x, y = (sum(corner[k] for corner in place["corners"]) / len(place["corners"]) for k in (0, 1))
    return f" around {x:.0f} mm from its left and {y:.0f} mm from its near edge"


def _figures(event: Mapping[str, Any]) -> str:
    """Plain keys in words, as they come; nested ones stay for scripts."""
    kept = {key: value for key, value in event.items() if key not in FIGURES_LEFT_OUT}
    told = [f"{_words(key)} {_figure(value)}" for key, value in kept.items() if _is_plain(value)]
    return f", {', '.join(told)}" if told else ""


def _is_plain(value: object) -> bool:
    return isinstance(value, str | int | float)


def _figure(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _kept(event: Mapping[str, Any]) -> str:
    return f", keep what lies {event['keep']} of the line" if event.get("keep") else ""


def _and_do(event: Mapping[str, Any]) -> str:
    return f"; {event['do']}" if event.get("do") else ""


def _unit(event: Mapping[str, Any]) -> str:
    verdict = _words(event["verdict"]) if event.get("verdict") else "measured, not judged"
    why = f" ({event['why']})" if event.get("why") else ""
    name = f" {event['expected']}" if event.get("expected") else ""
    where = f"{event['frame']}: " if event.get("frame") else ""
    number = f" {event['number']}" if event.get("number") else ""
    return f"{where}unit{number}{name}: {verdict}{why}{_widths(event)}{_findings(event)}."


def _findings(event: Mapping[str, Any]) -> str:
    """What no verdict tells: bow, threads and notches; the others are in its own words."""
    found = [one for one in event.get("findings") or [] if one["kind"] in ("bow", "fray", "notch")]
    told = [finding_text(one["kind"], one["sides"], one["value"], "mm") for one in found]
    return f"; {', '.join(told)}" if told else ""


def _widths(event: Mapping[str, Any]) -> str:
    """Each width in inches and millimetres with its uncertainty, or else the sides."""
    finest = finest_of(event)
    widths = [w for w in event.get("widths_mm") or [] if w["mean"] is not None]
    if widths:
        told = [f"{inches_text(w['mean'], finest)} ({w['mean']:.2f} ± {w['u'] or 0.0:.2f} mm)" for w in widths]
        return f"; {' and '.join(told)} wide"
    sides = [side for side in event.get("sides_mm") or [] if side is not None]
    return f"; {sides_text(sides, 'in', finest)}" if sides else ""


def _rig_figures(event: Mapping[str, Any]) -> str:
    told = [_within(event[key], does) for key, does in RIG_DOES.items() if event.get(key)]
    if not told:
        told = [_surely(event, device, does) for device, does in DEVICE_DOES.items() if event.get(f"{device}_u_mm")]
    return f": {'; '.join([*told, *_scale(event), *_budget(event), *_closure(event)])}" if told else ""


def _surely(event: Mapping[str, Any], device: str, does: str) -> str:
    worst = event.get(f"{device}_u_worst_mm")
    at_worst = f", {worst:.2f} at worst" if worst is not None else ""
    return f"{device} {does} {event[f'{device}_u_mm']:.2f} mm{at_worst}"


def _within(figures: Mapping[str, Any], does: str) -> str:
    middle, worst = (f"{_up(figures[key]):.2f} mm ({part_of_inch(figures[key])})" for key in ("middle_mm", "worst_mm"))
    return f"{does} within {middle} in the middle, {worst} {figures['worst_where']}"


def _up(value_mm: float) -> float:
    """To the next hundredth: nothing lands within 0.00 mm."""
    return math.ceil(max(value_mm, 1e-6) * 100.0) / 100.0


def part_of_inch(value_mm: float) -> str:
    """The smallest of 1/2, 1/4, 1/8 ... 1/128 inch that is not less; what is clearly less than all is said to be.

    >>> part_of_inch(0.004), part_of_inch(0.1), part_of_inch(0.2), part_of_inch(30.0)
    ('under 1/128 in', '1/128 in', '1/64 in', 'over 1/2 in')
    """
    if value_mm < INCH_MM / 2 ** (FINEST_POWER + 2):
        return f"under 1/{2**FINEST_POWER} in"
    power = min(FINEST_POWER, math.floor(math.log2(INCH_MM / max(value_mm, 1e-3))))
    return f"1/{2**power} in" if power >= 1 else "over 1/2 in"


def _scale(event: Mapping[str, Any]) -> list[str]:
    if event.get("scale_u") is None:
        return []
    how = f" ({event['scale_how']})" if event.get("scale_how") else ""
    share = 100 * event["scale_u"]
    return [f"sizes are known to {share:.2g} %{how}" if share > 0 else f"sizes are those of the sheet{how}"]


def _budget(event: Mapping[str, Any]) -> list[str]:
    """What a length's uncertainty is made of, its largest part named."""
    budget = event.get("budget")
    if not budget:
        return []
    worst = max(PARTS, key=lambda part: budget[part])
    return [
        f"a length of {budget['length']:g} mm is measured with u {budget['combined']:.2g} mm, most of it {PARTS[worst]}"
    ]


def _closure(event: Mapping[str, Any]) -> list[str]:
    if event.get("closure_mm") is None:
        return []
    worst = event["closure_worst_mm"]
    return [f"tried with {event['dots']} dots of light: off by {event['closure_mm']:.2f} mm RMS, {worst:.2f} at worst"]


def _summary(event: Mapping[str, Any]) -> str:
    verdicts = ", ".join(f"{count} {_words(name)}" for name, count in (event.get("verdicts") or {}).items() if count)
    errors = [
        f"{words} {event[key]:.2f} mm RMS off the truth"
        for key, words in (("width_error_rms_mm", "widths"), ("line_error_rms_mm", "lines"))
        if event.get(key) is not None
    ]
    return "; ".join([", ".join(_counts(event)), *([verdicts] if verdicts else []), *errors]) + "."


def _counts(event: Mapping[str, Any]) -> Iterator[str]:
    """Units and how many of them were judged, strips, blocks: what there was, or that there was nothing."""
    counts = {kind: event.get(f"{kind}s") or 0 for kind in ("unit", "strip", "block")}
    if not any(counts.values()):
        yield "0 units"
    for kind, count in counts.items():
        if count:
            yield f"{count} {kind}{'' if count == 1 else 's'}"
        if kind == "unit" and count and event.get("judged") is not None:
            yield f"{event['judged']} judged"
