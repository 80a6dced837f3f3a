"""What a key, or a foot pedal that types it, means at the table: the same in every chapter and in a pile."""

from __future__ import annotations

MEANINGS = {
    "space": "on",
    "pagedown": "on",
    "b": "back",
    "pageup": "back",
    "m": "again",
    "t": "true_up",
    "z": "undo",
    "h": "help",
    "q": "end",
    "escape": "end",
}


def meaning_of(key: str) -> str:
    """What a key means, "" for none; "page down" and "PageDown" are one key.

    >>> meaning_of("page down"), meaning_of("x")
    ('on', '')
    """
    return MEANINGS.get(key.replace(" ", "").lower(), "")


def keys_for(meaning: str) -> frozenset[str]:
    """The keys that mean it.

    >>> sorted(keys_for("end"))
    ['escape', 'q']
    """
    return frozenset(key for key, means in MEANINGS.items() if means == meaning)
