"""Characters that the fonts of the print do not hold: another font of this machine, or their number.

No font is fetched. A character that nothing at hand can draw would come out as an empty box, which
says nothing; in its place stands its number in Unicode, and the print says so.
"""

from __future__ import annotations

import shutil
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

TEXT = "DejaVuSans"
"""The font in which the layouts set their text: how the names of its files begin, one a style."""

BOXES = "LastResort"
"""Name of a font that the plotting library brings, which has a box for every character there is."""

NEVER_DRAWN = ("Cc", "Cf", "Zs", "Zl", "Zp")
"""Categories of characters that take no glyph: controls, formats and spaces."""

MOST_FONTS = 4
"""Fonts of the machine that are taken besides, at most: one holds all of a script as a rule."""


def carried_fonts() -> Path:
    """The folder of the fonts that come with the plotting library, with the text's own in it."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def fonts_of_the_machine() -> list[Path]:
    """Files of the fonts that are installed here."""
    from matplotlib.font_manager import findSystemFonts

    return sorted(Path(name) for name in findSystemFonts())


def to_set(content: Mapping[str, Any], fonts: Path) -> dict[str, Any]:
    """The content with nothing in it that would come out as a box.

    The fonts to set it with are copied into `fonts`: the text's own, and others that hold what it
    lacks, carried ones before those of the machine. What none holds is replaced by its number, and
    `unset` says which; "" where nothing was.
    """
    fonts.mkdir()
    carried = sorted(carried_fonts().glob("*.ttf"))
    own = [path for path in carried if path.stem.partition("-")[0] == TEXT]
    missing = _drawn(content)
    for path in own:
        _copied(path, fonts)
        missing -= _held(path)
    taken = 0
    for path in (*carried, *fonts_of_the_machine()) if missing else ():
        held = missing & _held(path) if BOXES not in path.name else set()
        if held and _taken(path, fonts):
            missing -= held
            taken += 1
        if not missing or taken == MOST_FONTS:
            break
    said = _say(len(missing), min(missing)) if missing else ""
    return {**_each_text(content, lambda text: _spelled(text, missing)), "unset": said}


def _say(count: int, first: str) -> str:
    many = count != 1
    return (
        f"{count} character{'s' if many else ''} that no font at hand can draw"
        f" stand{'' if many else 's'} here by number in Unicode, like [{_number(first)}]; the page"
        " shows them where the browser has a font."
    )


def _copied(path: Path, fonts: Path) -> bool:
    try:
        shutil.copyfile(path, fonts / path.name)
    except OSError:
        return False
    return True


def _taken(path: Path, fonts: Path) -> bool:
    """Whether a font was copied and the compiler reads it, which passes over some without a word."""
    import typst

    if not _copied(path, fonts):
        return False
    known = typst.Fonts(include_system_fonts=False, font_paths=[str(fonts)])
    return any(one.path and Path(one.path).name == path.name for one in known.fonts())


def _spelled(text: str, missing: set[str]) -> str:
    """The text with its missing characters by number, those side by side in one pair of brackets."""
    if not missing.intersection(text):
        return text
    parts: list[str] = []
    numbers: list[str] = []
    for letter in [*text, ""]:
        if letter and letter in missing:
            numbers.append(_number(letter))
            continue
        if numbers:
            parts.append(f"[{' '.join(numbers)}]")
            numbers = []
        parts.append(letter)
    return "".join(parts)


def _number(letter: str) -> str:
    return f"U+{ord(letter):04X}"


def _drawn(content: Mapping[str, Any]) -> set[str]:
    """The characters of the content that are drawn."""
    letters: set[str] = set()

    def gather(text: str) -> str:
        letters.update(text)
        return text

    _each_text(content, gather)
    return {one for one in letters if unicodedata.category(one) not in NEVER_DRAWN}


@cache
def _held(path: Path) -> frozenset[str]:
    """The characters that a font has; none of one that cannot be read."""
    from matplotlib.ft2font import FT2Font

    try:
        return frozenset(map(chr, FT2Font(str(path)).get_charmap()))
    except (OSError, RuntimeError, ValueError):
        return frozenset()


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    """The same data with every text in it changed; keys stay."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, Mapping):
        return {key: _each_text(one, change) for key, one in value.items()}
    if isinstance(value, Sequence):
        return [_each_text(one, change) for one in value]
    return value
