"""Writing limit sheets so that the sheet before is never lost: it goes into the history beside the file."""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import some
from vision.cli._common import fail, say
from vision.cli._limits_history import history_path

if TYPE_CHECKING:
    from models.limits import LimitSheet


def check_place(path: Path) -> None:
    """Refuse a place where no limit sheet could be written; called before work that takes minutes."""
    _text_before(path)
    folder = next(parent for parent in path.absolute().parents if parent.exists())
    if not folder.is_dir():
        fail(f"{path}: {folder} is no folder")
    if not os.access(folder, os.W_OK | os.X_OK) or (path.exists() and not os.access(path, os.W_OK)):
        fail(f"{path}: got a place that cannot be written, wanted one for the limit sheet; name another file")


def write_anew(sheet: LimitSheet, path: Path, why: str) -> None:
    """Write a whole sheet. Another one that lies there, edited or not, is kept in the history, and stderr says so."""
    from models.edit import differences
    from models.errors import InputError
    from models.limits import parse_limits, sheet_hash, sheet_text, write_limits

    path.parent.mkdir(parents=True, exist_ok=True)
    before = _text_before(path)
    if before is not None and before != sheet_text(sheet):
        try:
            old = parse_limits(before, str(path))
            digest, changed = sheet_hash(old), some([f"{d.finding} {d.what}" for d in differences(old, sheet)], 4)
        except InputError:  # a sheet in the middle of being edited is worth keeping too
            digest, changed = hashlib.sha256(before.encode()).hexdigest(), "the sheet before could not be read"
        _note(path, {"finding": "whole sheet", "before": digest[:12], "after": sheet_hash(sheet)[:12],
                     "what": f"whole sheet: {changed or 'no rule changed'}", "why": why, "sheet_before": digest,
                     "sheet_after": sheet_hash(sheet), "text_before": before})
        say(f"{path}: another limit sheet was there; it is kept in {history_path(path)}, and "
            f"`meniscope limits history {path} --restore {digest[:12]}` prints it")
    write_limits(sheet, path)


def write_change(path: Path, old: LimitSheet, new: LimitSheet, rule: int, words: tuple[str, str], why: str) -> None:
    """Write a sheet with one rule changed, keeping the file's own layout where possible, after noting the old one.

    `words` say what the rule (number from 1) was before and is after.
    """
    from models.edit import edited_text
    from models.limits import sheet_hash, write_limits, write_whole

    before = path.read_text(encoding="utf-8-sig")
    _note(path, {"rule": rule, "finding": new.rules[rule - 1].finding, "before": words[0], "after": words[1],
                 "why": why, "sheet_before": sheet_hash(old), "sheet_after": sheet_hash(new), "text_before": before})
    text = edited_text(before, new, str(path))
    if text is None:
        write_limits(new, path)
        say("the file's layout was unusual, so it was written anew; comments are in the history")
    else:
        write_whole(path, text)
    say(f"{path}: written, {sheet_hash(new)[:12]}; the old sheet is in {history_path(path)}")


def _note(path: Path, note: dict[str, object]) -> None:
    """Add a line to the history of a sheet."""
    history = history_path(path)
    told = {"at": datetime.now(UTC).isoformat(timespec="seconds")} | note
    try:
        with history.open("a", encoding="utf-8") as file:
            file.write(json.dumps(told, ensure_ascii=False) + "\n")
    except OSError as error:
        fail(f"{history}: {(error.strerror or str(error)).lower()}; nothing was written")


def _text_before(path: Path) -> str | None:
    """Return the text that lies where a sheet is to be written, None where nothing does; refuse what is no text."""
    from models.limits import MAX_BYTES

    if not path.exists():
        return None
    if path.stat().st_size > MAX_BYTES:
        fail(f"{path}: got a file of {path.stat().st_size} bytes, which is no limit sheet; name another file")
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        fail(f"{path}: got a file that is no text and so no limit sheet; name another file")
