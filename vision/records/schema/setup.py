"""Tables of what was known beforehand: families with their joints and chips, stations, limit sheets, boards."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from vision.records.columns import Moment
from vision.records.schema.base import REAL, Base


class FamilyRow(Base):
    """One revision of a board family."""

    __tablename__ = "family"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    name: Mapped[str] = mapped_column(String(60), comment="family name, as in family.toml")
    revision: Mapped[int] = mapped_column(comment="counts the different contents seen under this name, from 1")
    sha256: Mapped[str] = mapped_column(String(64), comment="SHA-256 of `content`")
    workmanship_class: Mapped[int] = mapped_column(comment="1, 2 or 3")
    content: Mapped[str] = mapped_column(Text, comment="the whole family as JSON text")
    added_at: Mapped[datetime] = mapped_column(Moment, comment="when it was first used")
    __table_args__ = (
        UniqueConstraint("name", "sha256"), UniqueConstraint("name", "revision"),
        CheckConstraint("workmanship_class IN (1, 2, 3)", name="workmanship_class"),
        CheckConstraint("revision >= 1", name="revision"),
        {"comment": "Board families, one row for every content that was ever graded with."},
    )


class FamilyJoint(Base):
    """One joint of a family revision."""

    __tablename__ = "family_joint"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    family_id: Mapped[int] = mapped_column(ForeignKey("family.id"), comment="the family revision")
    ref: Mapped[str] = mapped_column(String(60), comment="reference designator of the component")
    pin: Mapped[str] = mapped_column(String(60), comment="pin of the component")
    x_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, x to the right as in the CAD view")
    y_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, y upward as in the CAD view")
    land_kind: Mapped[str] = mapped_column(String(60), comment="shape and size of the land in words")
    net: Mapped[str] = mapped_column(String(60), comment="net name; may be empty")
    pot: Mapped[str] = mapped_column(String(60), comment="solder pot; may be empty")
    nozzle: Mapped[str] = mapped_column(String(60), comment="solder nozzle; may be empty")
    step: Mapped[str] = mapped_column(String(60), comment="step of the solder programme; may be empty")
    __table_args__ = (
        UniqueConstraint("family_id", "ref", "pin"), Index(None, "pot", "id"),
        {"comment": "Joints of every family revision: what a joint result refers to."},
    )


class FamilyChip(Base):
    """One chip of a family revision."""

    __tablename__ = "family_chip"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    family_id: Mapped[int] = mapped_column(ForeignKey("family.id"), comment="the family revision")
    ref: Mapped[str] = mapped_column(String(60), comment="reference designator of the chip")
    x_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, x to the right as in the CAD view")
    y_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, y upward as in the CAD view")
    __table_args__ = (
        UniqueConstraint("family_id", "ref"),
        {"comment": "Chips near joints of every family revision: what a chip result refers to."},
    )


class StationRow(Base):
    """One state of a camera station."""

    __tablename__ = "station"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    name: Mapped[str] = mapped_column(String(60), comment="station name, as in station.toml")
    sha256: Mapped[str] = mapped_column(String(64), comment="SHA-256 of `content`")
    content: Mapped[str] = mapped_column(Text, comment="the station's state as JSON text: scale, lights, flat-fields")
    added_at: Mapped[datetime] = mapped_column(Moment, comment="when it was first used")
    __table_args__ = (
        UniqueConstraint("name", "sha256"),
        {"comment": "Camera stations, one row for every state that was ever graded with."},
    )


class SheetRow(Base):
    """One limit sheet."""

    __tablename__ = "limit_sheet"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    sha256: Mapped[str] = mapped_column(String(64), unique=True, comment="SHA-256 of `content`")
    family_name: Mapped[str] = mapped_column(String(60), comment="family that the sheet was made for; may be empty")
    workmanship_class: Mapped[int] = mapped_column(comment="1, 2 or 3")
    content: Mapped[str] = mapped_column(Text, comment="the sheet itself, TOML text as in limits.toml")
    added_at: Mapped[datetime] = mapped_column(Moment, comment="when it was first used")
    __table_args__ = (
        CheckConstraint("workmanship_class IN (1, 2, 3)", name="workmanship_class"),
        {"comment": "Limit sheets, whole, so that every verdict can be replayed."},
    )


class Unit(Base):
    """One board."""

    __tablename__ = "unit"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    family_name: Mapped[str] = mapped_column(String(60), comment="family of the board")
    serial: Mapped[str] = mapped_column(String(255), comment="serial number, from the picture's file name")
    added_at: Mapped[datetime] = mapped_column(Moment, comment="when it was first seen")
    __table_args__ = (
        UniqueConstraint("serial", "family_name"),
        {"comment": "Boards, one row a serial number."},
    )
