"""Reading CAD text files and telling their kinds apart by what is in them, never by their names."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from models.errors import InputError, Problem

Kind = Literal["netlist", "excellon", "gerber", "placement", "unknown"]

#: CAD files of one board are a few megabytes; more is a wrong path.
MAX_BYTES = 64 * 1024 * 1024
#: How much of a file is looked at to tell its kind.
HEAD_LINES = 200


def read_cad_text(path: Path) -> str:
    """Return a CAD file's text: UTF-8, UTF-16 with byte order mark, or Latin-1 as the last resort.

    Line ends become newlines. Raises InputError for files that cannot be read or are not text.
    """
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise InputError([Problem(str(path), "", f"{size} bytes", f"a CAD file of at most {MAX_BYTES} bytes")])
        data = path.read_bytes()
    except OSError as error:
        raise InputError([Problem(str(path), "", (error.strerror or str(error)).lower(), "a readable file")]) from error
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError as error:
            raise InputError([Problem(str(path), f"byte {error.start}", "broken UTF-16", "UTF-16 or UTF-8 text")]
                             ) from error
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputError([Problem(str(path), f"line {line}", "a NUL character", "a text file")])
    return text.replace("\r\n", "\n").replace("\r", "\n")


def kind_of(text: str) -> Kind:
    """Tell what a CAD file is from its first lines."""
    head = [line.rstrip() for line in text.split("\n", HEAD_LINES)[:HEAD_LINES]]
    if any(re.match(r"%(FS[LTD]|MO(MM|IN)|TF\.|ADD\d)", line) or re.match(r"G04 #@! TF\.", line) for line in head):
        return "gerber"
    if any(line.strip() in {"M48", "%"} or re.match(r"(METRIC|INCH)\b", line) for line in head):
        return "excellon"
    records = sum(bool(re.match(r"[0-3]\d7.{14}", line)) for line in head)
    if any(re.match(r"P  (UNITS|JOB|CODE|IMAGE|NNAME)", line) for line in head) or records >= 2:
        return "netlist"
    from vision.setup.cad.placement import find_header

    return "placement" if find_header(head) is not None else "unknown"
