"""Times and periods as people type them."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import click

from vision.cli._common import minute

DURATIONS = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1), "w": timedelta(weeks=1)}


def moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Return a time: ISO 8601 (local time without an offset), or how long ago (`90m`, `24h`, `7d`, `2w`)."""
    if value is None:
        return None
    ago = re.fullmatch(r"([0-9]+)([mhdw])", value)
    if ago:
        try:
            return datetime.now(UTC) - int(ago[1]) * DURATIONS[ago[2]]
        except (OverflowError, ValueError) as error:
            raise click.BadParameter(f"{value!r} is too long ago: that lies before the year 1; wanted a time like 7d, "
                                     "or leave the option out for all that is recorded") from error
    try:
        return datetime.fromisoformat(value).astimezone()
    except (ValueError, OverflowError) as error:
        raise click.BadParameter(f"{value!r} is no time: wanted 2026-03-31, 2026-03-31T14:00, or how long ago (90m, "
                                 "24h, 7d, 2w)") from error


def check_period(since: datetime | None, until: datetime | None) -> None:
    """Refuse a period that ends before it begins: nothing can lie in it."""
    if since is not None and until is not None and since >= until:
        raise click.UsageError(f"--since {minute(since)} UTC is not before --until {minute(until)} UTC: no board "
                               "lies between; give the earlier time as --since")
