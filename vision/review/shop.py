"""What all pages of one server work with."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Engine

from vision.review.boards import Families
from vision.review.pictures import Pictures
from vision.review.repair import REPAIR_LIMIT
from vision.review.waiting import Desks


@dataclass(frozen=True)
class Settings:
    """How the page is served."""

    passwords: bool = True  # people log in with a password; off only where nobody but this machine can reach it
    loopback: bool = True  # bound to this machine alone
    secure_cookies: bool = False  # the page is reached by https
    repair_limit: int = REPAIR_LIMIT


@dataclass(frozen=True)
class Shop:
    """Database, settings, pictures, families, and who sits before which board."""

    engine: Engine
    settings: Settings
    pictures: Pictures
    families: Families
    desks: Desks
