"""One look at the line: read the records, raise new alarms, write them down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine

from vision.line.alarm import Alarm, Example, describe
from vision.line.alarm_store import as_known, list_alarms, save_alarm
from vision.line.history import History
from vision.line.load import (
    boards_since,
    count_boards,
    count_joints,
    load_history,
    load_log,
    pictures_of,
    views_of,
)
from vision.line.log_join import Logged, fit_clock, join
from vision.line.watch import Settings, scan

#: Boards that serve as reference. A look takes in these and up to half as many new ones, then moves on by that half.
REFERENCE = 400
USUAL = Settings()


def look(engine: Engine, family: str, settings: Settings = USUAL, *, reference: int = REFERENCE,
         save: bool = True) -> list[Alarm]:
    """Return the alarms that are new at this look, and write them into the records unless `save` is off."""
    boards, carried = stretch(count_boards(engine, family), reference)
    history = load_history(engine, family, measures=settings.measures, boards=boards)
    known = as_known(list_alarms(engine, family))
    drifts = scan(history, settings, known, carried=min(carried, max(len(history) - 1, 0)))
    if not drifts:
        return []
    logged = logged_values(engine, history)
    alarms = [_with_pictures(engine, describe(history, drift, settings, logged)) for drift in drifts]
    return [alarm for alarm in alarms if not save or save_alarm(engine, alarm)]


@dataclass(frozen=True)
class Answered:
    """An alarm that was answered: whether the boards since can tell yet that its place is quiet.

    `fixed`: boards from the answer on, of which as many are wanted as the alarm took to be noticed. `normal`: boards
    from the start of the change on, of which as many are wanted as the watch needs to know what is normal.
    """

    alarm: str  # id
    title: str
    answer: str  # fixed, normal
    joints: tuple[str, ...]
    boards_since: int
    boards_wanted: int
    told: bool  # there are enough


@dataclass(frozen=True)
class Glance:
    """What a look that writes nothing finds at a family."""

    family: str
    boards: int
    looked: int  # newest boards looked at; 0 where there are too few to tell drift
    begins_after: int  # boards
    new: tuple[Alarm, ...]  # that the next watch would raise
    joints: int = 0  # of the family
    answered: tuple[Answered, ...] = ()  # alarms whose places no other alarm speaks for


def glance(engine: Engine, families: Sequence[str], settings: Settings = USUAL) -> tuple[Glance, ...]:
    """Return how each family stands now, without writing: the records do not say when the last watch looked."""
    found = []
    for family in families:
        boards = count_boards(engine, family)
        looked = stretch(boards, REFERENCE)[0] if boards > settings.settle else 0
        new = look(engine, family, settings, save=False) if looked else []
        told = answered(engine, family, new, settings) if looked else ()
        found.append(Glance(family, boards, looked, settings.settle, tuple(new), count_joints(engine, family), told))
    return tuple(found)


def answered(engine: Engine, family: str, new: Sequence[Alarm] = (), settings: Settings = USUAL
             ) -> tuple[Answered, ...]:
    """Return the answered alarms of a family, oldest first, and how many boards there were since.

    Left out are those whose place another alarm speaks for: an open or a later one of the records, or a `new` one.
    """
    known = list_alarms(engine, family)
    found = []
    for number, alarm in enumerate(known):
        others = [*(item for item in known[:number] if item.status == "open"), *known[number + 1:], *new]
        if alarm.status == "open" or any(set(other.joints) & set(alarm.joints) for other in others):
            continue
        fixed = alarm.status == "fixed"
        since = boards_since(engine, family, datetime.fromisoformat(alarm.answered_at if fixed else alarm.since_at))
        wanted = alarm.boards if fixed else settings.settle + 1
        found.append(Answered(alarm.id, alarm.title, alarm.status, alarm.joints, since, wanted, since >= wanted))
    return tuple(found)


def stretch(total: int, reference: int) -> tuple[int, int]:
    """Return how many of the newest boards to read, and how many of those an earlier stretch has judged.

    The first stretch holds up to 1.5 references. Later ones begin at multiples of half a reference, so that looks
    between two moves see the same boards as their first one.
    """
    half = reference // 2
    moves = max(0, (total - 2 * half - 1) // half) if half else 0
    return total - moves * half, 2 * half if moves else 0


def logged_values(engine: Engine, history: History) -> tuple[Logged, ...]:
    """Return what the process log says about the boards of a history."""
    if not len(history):
        return ()
    day = timedelta(days=1)  # clocks may differ by hours; a day is more than any offset worth mending
    first, last = (datetime.fromtimestamp(float(history.at_s[i]), UTC) for i in (0, -1))
    rows = load_log(engine, first - day, last + day)
    return join(rows, history.serials, history.at_s, fit_clock(rows, history.serials, history.at_s))


def _with_pictures(engine: Engine, alarm: Alarm) -> Alarm:
    """Add the paths of the pictures that show each example."""
    paths = pictures_of(engine, [example.key for example in alarm.examples])
    shown: list[Example] = []
    for example in alarm.examples:
        view = views_of(engine, [example.key], example.joint).get(example.key, "")
        shown.append(replace(example, pictures=paths.get(example.key, {}).get(view, ())))
    return replace(alarm, examples=tuple(shown))
