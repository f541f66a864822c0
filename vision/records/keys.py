"""Contents and hashes: what makes a family, a station, a set of pictures or a grading the same."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from vision.setup.family import Family
from vision.setup.station import Station

CHUNK = 1 << 20


def sha256_text(text: str) -> str:
    """Return the SHA-256 of a text's UTF-8 bytes as hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def sha256_file(path: Path | str) -> str:
    """Return the SHA-256 of a file's bytes, or an empty text where it cannot be read."""
    digest = hashlib.sha256()
    try:
        with Path(path).open("rb") as file:
            while chunk := file.read(CHUNK):
                digest.update(chunk)
    except (OSError, ValueError):
        return ""
    return digest.hexdigest()


@lru_cache(maxsize=64)
def family_content(family: Family) -> tuple[str, str]:
    """Return a family as JSON text, and that text's SHA-256. What is known of its uncertainty is no part of it.

    A learned table of slopes is, where there is one: what is measured hangs on it.
    """
    state = asdict(replace(family, uncertainty=None))
    del state["uncertainty"]
    if family.pixels is None:  # families without one keep the hash they had before it was known
        del state["pixels"]
    text = compact_json(state)
    return text, sha256_text(text)


@lru_cache(maxsize=64)
def station_content(station: Station) -> tuple[str, str]:
    """Return a station's state as JSON text, and that text's SHA-256.

    A flat-field enters with its file's hash, so that a new calibration is a new state.
    """
    state = asdict(station)
    for light in state["lights"]:
        path = light["flat_field"]
        light["flat_field"] = None if path is None else {"file": path.name, "sha256": sha256_file(path)}
        if light["distance_mm"] is None:  # stations without the key keep the hash they had before it was known
            del light["distance_mm"]
    text = compact_json(state)
    return text, sha256_text(text)


def compact_json(value: Any) -> str:
    """Return JSON without spaces and with sorted keys: equal contents give equal texts."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)


def picture_key(pictures: Iterable[tuple[str, str, str]]) -> str:
    """Return the hash over pictures given as (view, exposure, sha256), in whatever order."""
    return sha256_text("\n".join("\t".join(picture) for picture in sorted(pictures)))


def job_key(serial: str, family_sha256: str, station_sha256: str, sheet_sha256: str, pictures: str) -> str:
    """Return the hash that makes a grading the same: board, family, station, limit sheet and picture key."""
    return sha256_text("\n".join((serial, family_sha256, station_sha256, sheet_sha256, pictures)))


def clean_text(text: str, limit: int | None = None) -> str:
    """Return a text that every database takes: bytes of a file name that are no UTF-8, and NUL, are written out.

    A text longer than `limit` characters is cut and ends with a hash of the whole, so that two stay two.
    """
    text = text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")
    if limit is not None and len(text) > limit:
        mark = "..." + sha256_text(text)[:16]
        text = text[: limit - len(mark)] + mark
    return text
