"""What an import of the process log did and found, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vision.cli._common import many, minute

if TYPE_CHECKING:
    from vision.line.log_store import Imported


def import_lines(file: str, done: Imported) -> list[str]:
    """Return in words what an import did and found."""
    lines = [f"{file}: {done.values:,} values, {done.new:,} of them new, {minute(done.first)} to "
             f"{minute(done.last)} UTC",
             "  " + ", ".join(f"{name} {count:,}" for name, count in done.counts.items())]
    if done.unknown:
        lines.append(f"  kept under their own names: {', '.join(done.unknown)}")
    lines.append(f"  {many(done.boards, 'board', ',')} {_were(done.boards)} inspected in this time, "
                 f"{done.boards_without:,} of them {'is' if done.boards_without == 1 else 'are'} not in the log; "
                 f"{many(done.strangers, 'serial', ',')} of the log {_were(done.strangers)} never inspected")
    if done.clock is None:
        lines.append("  clock: too few serials in common to compare the clocks; rows without serial are joined by time "
                     "as they stand")
    elif done.clock.delay_s < 0:
        ahead = -done.clock.delay_s
        lines.append(f"  clock: the log's clock runs ahead of the station's by at least {ahead:.0f} s: boards seem "
                     "inspected before their last log entry. Joining allows for it; importing with "
                     f"--clock-ahead {ahead:.0f} would put the times right as far as can be told")
    else:
        lines.append(f"  clock: boards reach the camera {done.clock.delay_s:.0f} s after their last log entry (spread "
                     f"{done.clock.spread_s:.0f} s)" + ("" if done.clock.plausible else "; check the clocks"))
    if done.clock is not None:
        lines += [f"  clock jump at board {serial}: {change:+.0f} s" for serial, change in done.clock.jumps]
    return lines + (gap_lines(done) or ["  no gaps"])


def _were(count: int) -> str:
    return "was" if count == 1 else "were"


def gap_lines(done: Imported, most: int = 10) -> list[str]:
    """Return gaps in words, those over the same boards together."""
    stretches: dict[tuple[str, str, int], dict[str, list[str]]] = {}
    for gap in done.gaps:
        stretches.setdefault((gap.first, gap.last, gap.boards), {}).setdefault(gap.quantity, []).append(gap.place)
    lines = []
    for (first, last, boards), missing in stretches.items():
        named = [f"{name} ({places[0]})" if len(places) == 1 else f"{name} ({len(places)} places)"
                 for name, places in missing.items()]
        have = "has" if boards == 1 else "have"
        lines.append(f"  gap: {many(boards, 'board')}, {first} to {last}, {have} no {', '.join(named)}")
    return lines[:most] + ([f"  and {len(lines) - most} more gaps"] if len(lines) > most else [])
