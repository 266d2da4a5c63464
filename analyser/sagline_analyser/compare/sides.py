"""Which recordings, or stretches between marks, belong to side A and which to side B."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sagline_logger.format import BoardFile, SaglineError, UsageError

from ..findings.drive.settings_in_force import SettingInForce, Shows, settings_in_force
from ..findings.readings.gathered import Gathered
from ..load.ride import Ride

ORDER = (
    "Ride A, B, B, A: what drifts steadily (the pack emptying, the motors warming, the wind) then "
    "falls on both settings alike."
)


@dataclass(frozen=True)
class Part:
    """A stretch of one ride on one side, ``start`` to ``end`` in s; ``name`` says which."""

    number: int
    side: str
    ride: Ride
    board: BoardFile | None
    start: float
    end: float
    name: str


@dataclass(frozen=True)
class SettingChange:
    """A setting whose value differs between the sides; values as the logs state them."""

    name: str
    a: str
    b: str


@dataclass(frozen=True)
class StretchSetting:
    """What a stretch shows of one setting that it states."""

    part: int
    side: str
    name: str
    setting: SettingInForce


def split(
    rides: Sequence[tuple[Ride, BoardFile | None]],
    sides: str | None = None,
    by: str | None = None,
    marks: bool = False,
) -> list[Part]:
    """Return the parts in the order given, each on side A or B.

    ``sides`` has one letter a part (A, B, or - to leave it out).  ``by`` names a setting: the rides
    with its first value are A, those with the other B.  With ``marks`` the parts are the stretches
    of the one ride between its marks, which take the letter that begins or ends a mark's text,
    else A, B, A, B in turn.  With none of these the first ride is A and the others are B.

    Raises:
        SaglineError: the letters do not fit the parts, or one side would be empty.
    """
    pieces = _marked(rides) if marks else [(r, b, 0.0, r.duration + 1.0, "", "") for r, b in rides]
    if sides is not None:
        letters = sides.upper().replace(",", "").replace(" ", "")
        if set(letters) - set("AB-"):
            raise UsageError(
                f'"{sides}" is not made of A, B and -', where="--sides", remedy="such as ABBA"
            )
        if len(letters) != len(pieces):
            what = "stretches between marks" if marks else "logs"
            raise UsageError(
                f"{len(letters)} letters for {len(pieces)} {what}",
                where="--sides",
                remedy="give one letter each, - to leave one out",
            )
    elif by is not None:
        letters = _by_setting(rides, by)
    elif marks:
        own = "".join(letter or "-" for *_, letter in pieces)
        letters = own if "A" in own and "B" in own else ("AB" * len(pieces))[: len(pieces)]
    else:
        letters = "A" + "B" * (len(pieces) - 1)
    parts = [
        Part(number, letter, ride, board, start, end, name or ride.path)
        for number, (letter, (ride, board, start, end, name, _)) in enumerate(
            zip(letters, pieces, strict=True), 1
        )
        if letter != "-"
    ]
    if not any(part.side == "A" for part in parts):
        raise no_side("A", rides, sides)
    return parts


def no_side(
    letter: str, rides: Sequence[tuple[Ride, BoardFile | None]], sides: str | None
) -> SaglineError:
    """Return what to raise where a side is empty: by the letters given, or by the log's marks."""
    what, remedy = f"nothing is on side {letter}", f"give at least one {letter}"
    if sides is not None:
        return UsageError(what, where="--sides", remedy=remedy)
    return SaglineError(what, where=rides[0][0].path, remedy=f"{remedy} with --sides")


_Piece = tuple[Ride, BoardFile | None, float, float, str, str]


def _marked(rides: Sequence[tuple[Ride, BoardFile | None]]) -> list[_Piece]:
    if len(rides) != 1:
        raise UsageError("marks split one log", where="--marks", remedy="give a single log")
    ride, board = rides[0]
    if not ride.marks:
        raise SaglineError("no marks in it", where=ride.path, remedy="give one log a side instead")
    pieces: list[_Piece] = []
    ends = [mark.time for mark in ride.marks[1:]] + [ride.duration + 1.0]
    if ride.marks[0].time > 0:
        pieces.append((ride, board, 0.0, ride.marks[0].time, "before the first mark", ""))
    for mark, end in zip(ride.marks, ends, strict=True):
        name = f"from mark {mark.number}" + (f" ({mark.text})" if mark.text else "")
        letter = re.match(r"([AB])\b", mark.text) or re.search(r"\b([AB])$", mark.text)
        pieces.append((ride, board, mark.time, end, name, letter[1] if letter else ""))
    return pieces


def settings_of(ride: Ride, board: BoardFile | None) -> dict[str, str]:
    """Return the settings a log states, those of its board file where it states none itself."""
    stated = {k: _same(str(v)) for k, v in board.settings.items()} if board else {}
    return stated | {name: _same(value) for name, value in ride.settings.items()}


def _same(value: str) -> str:
    """Return numbers in one way of writing, so that 45 and 45.0 do not differ."""
    try:
        return f"{float(value):.6g}"
    except ValueError:
        return value


def _by_setting(rides: Sequence[tuple[Ride, BoardFile | None]], name: str) -> str:
    values = [settings_of(ride, board).get(name) for ride, board in rides]
    for value, (ride, _) in zip(values, rides, strict=True):
        if value is None:
            raise SaglineError(
                f"it states no setting {name}",
                where=ride.path,
                remedy="use --sides, or record with --setting NAME=VALUE",
            )
    found = list(dict.fromkeys(values))
    if len(found) != 2:
        raise SaglineError(
            f"{name} has {len(found)} value(s) in these logs, not two",
            where="--by",
            remedy="use --sides",
        )
    return "".join("AB"[found.index(value)] for value in values)


def changes(parts: Sequence[Part]) -> tuple[tuple[SettingChange, ...], tuple[str, ...]]:
    """Return the settings that differ between the sides, and what is wrong with them in words."""
    sides: dict[str, dict[str, set[str]]] = {"A": {}, "B": {}}
    names = {name for part in parts for name in settings_of(part.ride, part.board)}
    for part in parts:
        own = settings_of(part.ride, part.board)
        for name in names:
            sides[part.side].setdefault(name, set()).add(own.get(name, "not stated"))
    found, notes = [], []
    for name in sorted(names):
        a, b = sides["A"].get(name, set()), sides["B"].get(name, set())
        if len(a) > 1 or len(b) > 1:
            notes.append(f"{name} is not the same in all logs of one side.")
        elif a != b and b:
            found.append(SettingChange(name, next(iter(a)), next(iter(b))))
    if len(found) > 1:
        notes.append(
            f"{len(found)} settings differ between the sides, so no difference can be put down to "
            "one of them."
        )
    return tuple(found), tuple(notes)


def settings_seen(
    parts: Sequence[Part],
    changed: Sequence[SettingChange],
    whole: Mapping[int, tuple[SettingInForce, ...]],
) -> tuple[tuple[StretchSetting, ...], tuple[str, ...]]:
    """Return what each stretch shows of the settings it states, and the doubts in words.

    ``whole`` holds the same for whole rides, by their ``id``, which need not be looked at again.
    Doubts are of the changed settings, or of all where none is changed: those that a stretch
    contradicts, and changed ones that no stretch of a side shows.
    """
    seen = tuple(
        StretchSetting(part.number, part.side, part.name, one)
        for part in parts
        for one in (
            whole[id(part.ride)]
            if part.start <= 0 and part.end >= part.ride.duration and id(part.ride) in whole
            else settings_in_force(Gathered(part.ride, part.board), part.start, part.end)
        )
    )
    doubts = []
    changes = [change.name for change in changed]
    for name in changes or dict.fromkeys(one.setting.name for one in seen):
        for side in "AB":
            own = [s for s in seen if s.side == side and s.setting.name == name]
            against = [one for one in own if one.setting.verdict is Shows.NO]
            if against:
                more = len({one.part for one in against}) - 1
                doubts.append(
                    f"Side {side}, {against[0].name}{f' and {more} more' if more else ''}: "
                    f"{against[0].setting.text}"
                )
            elif changes and own and all(s.setting.verdict is Shows.UNTOLD for s in own):
                doubts.append(
                    f"{name} was not seen at work on side {side}: nothing shows that it was in "
                    "force, or that it mattered there."
                )
    return seen, tuple(doubts)
