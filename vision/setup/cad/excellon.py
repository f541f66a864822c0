"""Drill files in the Excellon format, as layout programs write them: header, tools, hits, slots, plated marks.

A small parser of our own, because plated marks written as comments and both ways of writing slots must be
understood, and because a fault must be told with its line and column.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from models.errors import InputError
from vision.setup.cad.parsed import MM_PER, DrillFile, Faults, Hole, Purpose, Source, Stated, shown

#: Integer and decimal digits that the format takes when the file does not state others.
DEFAULT_DIGITS = {"inch": (2, 4), "mm": (3, 3)}
#: Header words and machine codes that do not move or size a hole.
HEADER_WORDS = re.compile(r"(VER|FMAT|DETECT|ATC|OM48|TCST|CP|AFS|CCW|BLKD|SBK|SG|TOOL|R,|M4[78]|UP|DN)", re.I)
QUIET_CODES = re.compile(r"(M0[01689]|M06|M18|M95|M97.*|M98.*|G4[0-2].*|G0?5|G81|G04.*|G3[89].*|G9[37]X0*Y0*|F[\d.]+|"
                         r"S[\d.]+|B[\d.]+|H[\d.]+|Z[+-]?[\d.]+|M47.*|VER.*|FMAT.*|%)", re.I)
COORDINATE = re.compile(r"([XY])([+-]?)(\d*)(\.?)(\d*)")


@dataclass
class _Tool:
    diameter: float  # in the file's unit
    plated: bool | None
    purpose: Purpose


@dataclass
class _State:
    """Where the machine stands while the file is read."""

    faults: Faults
    unit: Stated
    zeros: str  # leading, trailing, or empty where not stated
    zeros_source: Source | None
    digits: tuple[int, int] | None
    digits_stated: bool
    header: bool = False
    incremental: bool = False
    routing: bool = False
    tool_down: bool = False
    x: float = 0.0
    y: float = 0.0
    tool: _Tool | None = None
    tools: dict[int, _Tool] = field(default_factory=dict)
    plated: bool | None = None  # what ;TYPE= or the file function says from here on
    tool_plated: bool | None = None  # what an aperture function says of the next tool
    tool_purpose: Purpose = ""
    body_plated: bool | None = None
    holes: list[Hole] = field(default_factory=list)
    notes: dict[str, int] = field(default_factory=dict)
    short: bool = False  # some coordinate had fewer digits than the format and no decimal point
    whole: bool = False  # some coordinate had no decimal point
    ended: bool = False
    mixed: bool = False


def parse_excellon(text: str, file: str, unit: str | None = None, zeros: str | None = None,
                   digits: tuple[int, int] | None = None) -> DrillFile:
    """Read an Excellon drill file.

    `unit` ("mm", "inch"), `zeros` ("leading": leading zeros are kept; "trailing") and `digits` (integer,
    decimal) stand in where the file does not state them. Raises InputError naming line, column and what was
    expected.
    """
    faults = Faults(file)
    state = _State(faults, Stated(unit or "mm"), zeros or "", None, digits, False)
    for number, line in enumerate(text.split("\n"), start=1):
        stripped = line.strip()
        if not stripped:
            continue
        indent = len(line) - len(line.lstrip())
        if stripped.startswith(";"):
            _comment(state, stripped, number)
        elif state.header:
            _header_line(state, stripped, number, indent)
        else:
            _body_line(state, stripped, number, indent)
        if state.ended:
            break
    if not state.ended:
        faults.add(text.count("\n") + 1, 1, "the end of the file", "M30: the file may be cut off")
    faults.raise_any("Export the drill file again, or mend the lines named.")
    scale = MM_PER[state.unit.value]
    form = "decimal point" if not state.whole else " ".join(
        (state.zeros or "trailing", "{}.{}".format(*(state.digits or DEFAULT_DIGITS[state.unit.value]))))
    doubtful = state.whole and ((state.short and not state.zeros_source) or not state.digits_stated)
    holes = tuple(Hole(h.x_mm * scale, h.y_mm * scale, h.diameter_mm * scale, h.plated, h.purpose, h.source,
                       None if h.end_mm is None else (h.end_mm[0] * scale, h.end_mm[1] * scale))
                  for h in state.holes)
    source = Source(file, 1) if state.zeros_source is None and not doubtful else state.zeros_source
    notes = tuple(f"{count} lines {name} read over" for name, count in state.notes.items())
    return DrillFile(file, state.unit, Stated(form, None if doubtful and not state.zeros_source else source), holes,
                     notes)


def readings(text: str, file: str) -> Iterator[DrillFile]:
    """Yield the file as read under every unit and number format that it leaves open, the likeliest first."""
    first = parse_excellon(text, file)
    yield first
    units = (first.unit.value,) if first.unit.source is not None else ("mm", "inch")
    if first.zeros.value == "decimal point":
        choices: list[tuple[str | None, tuple[int, int] | None]] = [(None, None)]
    elif first.zeros.source is not None and first.unit.source is not None:
        choices = [(None, digits) for digits in (None, (3, 2), (4, 4), (2, 3), (2, 4))]
    else:
        choices = [(zeros, digits) for zeros in ("trailing", "leading")
                   for digits in (None, (3, 2), (4, 4), (2, 3), (2, 4))]
    seen = {(first.unit.value, first.zeros.value)}
    for unit in units:
        for zeros, digits in choices:
            try:
                other = parse_excellon(text, file, unit, zeros, digits)
            except InputError:  # tools of half a metre: not this unit
                continue
            key = other.unit.value, other.zeros.value
            if key not in seen:
                seen.add(key)
                yield other


def _comment(state: _State, line: str, number: int) -> None:
    """Understand the comments that carry meaning: plated marks, attributes, number format."""
    match = re.match(r";\s*TYPE\s*=\s*(NON_)?PLATED", line, re.I)
    if match is not None:
        state.plated = match[1] is None
        if not state.header and state.tools:
            state.body_plated = state.plated
        return
    match = re.match(r";\s*#@!\s*TF\.FileFunction,(Plated|NonPlated|MixedPlating)", line)
    if match is not None:
        state.plated = {"Plated": True, "NonPlated": False}.get(match[1])
        state.mixed = match[1] == "MixedPlating"
        return
    match = re.match(r";\s*#@!\s*TA\.AperFunction,(.*)", line)
    if match is not None:
        fields = [part.strip() for part in match[1].split(",")]
        state.tool_plated = {"Plated": True, "NonPlated": False}.get(fields[0])
        state.tool_purpose = _purpose(fields)
        return
    if re.match(r";\s*#@!\s*TD", line):
        state.tool_plated, state.tool_purpose = None, ""
        return
    match = re.match(r";\s*FILE_FORMAT\s*=\s*(\d)\s*:\s*(\d)", line, re.I)
    if match is not None:
        state.digits, state.digits_stated = (int(match[1]), int(match[2])), True


def _purpose(fields: list[str]) -> Purpose:
    words = set(fields)
    if "ComponentDrill" in words:
        return "component"
    if "ViaDrill" in words:
        return "via"
    return "mechanical" if words & {"MechanicalDrill", "NPTH"} else ""


def _header_line(state: _State, line: str, number: int, indent: int) -> None:
    if line in {"%", "M95"}:
        state.header = False
    elif re.match(r"(METRIC|INCH|M71|M72)", line, re.I):
        _unit(state, line, number, indent)
    elif re.match(r"T\d", line):
        _tool(state, line, number, indent)
    elif re.match(r"ICI,?\s*(ON|OFF)?", line, re.I):
        state.incremental = line.upper().endswith("ON")
    elif re.fullmatch(r"(LZ|TZ)", line, re.I):
        _zero_rule(state, line, Source(state.faults.file, number, indent + 1))
    elif line.upper() in {"G90", "G91"}:
        state.incremental = line.upper() == "G91"
    elif not HEADER_WORDS.match(line) and not QUIET_CODES.fullmatch(line):
        state.faults.add(number, indent + 1, f"header line {shown(line)}",
                         "a header word (METRIC, INCH, T1C0.8, FMAT,2 ...) or % at the header's end")


def _zero_rule(state: _State, word: str, source: Source) -> None:
    state.zeros = "leading" if word.upper() == "LZ" else "trailing"
    state.zeros_source = source


def _unit(state: _State, line: str, number: int, indent: int) -> None:
    """METRIC or INCH, then in any order LZ or TZ and a picture of the digits (000.000)."""
    name, *fields = line.split(",")
    unit = "mm" if name.strip().upper() in {"METRIC", "M71"} else "inch"
    source = Source(state.faults.file, number, indent + 1)
    if state.unit.source is not None and state.unit.value != unit:
        state.faults.add(number, indent + 1, name.strip(), f"the unit of {state.unit.source} ({state.unit.value})")
        return
    state.unit = Stated(unit, source)
    column = indent + len(name) + 2
    for part in fields:
        word = part.strip()
        if word.upper() in {"LZ", "TZ"}:
            _zero_rule(state, word, Source(state.faults.file, number, column))
        elif re.fullmatch(r"0+\.0+", word):
            whole, decimals = word.split(".")
            state.digits, state.digits_stated = (len(whole), len(decimals)), True
        else:
            state.faults.add(number, column, shown(word), "LZ, TZ or a picture of the digits such as 000.000")
        column += len(part) + 1


def _tool(state: _State, line: str, number: int, indent: int) -> None:
    """`T1C0.8`: a tool of diameter 0.8; feeds and speeds are read over. `T1` selects it."""
    match = re.match(r"T(\d+)", line)
    assert match is not None
    key, rest = int(match[1]), line[match.end():]
    if not re.fullmatch(r"([CFSBHZ][+-]?[\d.]+)*", rest, re.I):
        state.faults.add(number, indent + match.end() + 1, shown(rest), "a diameter such as C0.8, feeds and speeds")
        return
    size = re.search(r"C([\d.]+)", rest, re.I)
    if size is not None:
        try:
            diameter = float(size[1])
        except ValueError:
            diameter = 0.0
        if not 0.0 < diameter * MM_PER[state.unit.value] <= 50.0:
            state.faults.add(number, indent + match.end() + size.start() + 2, f"diameter {shown(size[1])}",
                             "a diameter above 0 and at most 50 mm")
            diameter = 1.0
        plated = state.tool_plated if state.tool_plated is not None else state.plated
        state.tools[key] = _Tool(diameter, plated, state.tool_purpose)
        if not state.mixed:
            state.tool_plated, state.tool_purpose = None, ""
    if state.header:
        return
    state.tool, state.tool_down, state.routing = None, False, False
    if key == 0:
        return
    if key not in state.tools:
        state.faults.add(number, indent + 1, f"tool T{key}", "a tool that the header defines")
        state.tools[key] = _Tool(1.0, None, "")  # told once, not at every hit
    state.tool = state.tools[key]


def _body_line(state: _State, line: str, number: int, indent: int) -> None:
    upper = re.sub(r"^N\d+\s*", "", line.upper())
    indent += len(line) - len(upper)
    if upper == "M48":
        state.header = True
    elif upper in {"M30", "M00", "M02"}:
        state.ended = True
    elif re.match(r"(METRIC|INCH|M71|M72)\b", upper):
        _unit(state, upper, number, indent)
    elif re.match(r"T\d", upper):
        _tool(state, upper, number, indent)
    elif upper in {"G90", "G91"}:
        state.incremental = upper == "G91"
    elif upper in {"M15", "M16", "M17", "G05", "G5", "G81"}:
        state.tool_down = upper == "M15"
        state.routing &= upper.startswith("M")
    elif re.match(r"R\d+", upper):
        _repeat(state, upper, number, indent)
    elif re.match(r"(G0?[0-3])?[XY]", upper) or re.fullmatch(r"G0?[0-3]", upper):
        _move(state, upper, number, indent)
    elif re.match(r"M02|M2[0-57]|M80|M90", upper):
        state.faults.add(number, indent + 1, shown(line), "holes written out: steps and repeats of a panel are "
                                                          "not read; export the single board")
    elif QUIET_CODES.fullmatch(upper):
        state.notes[upper[:3]] = state.notes.get(upper[:3], 0) + (upper[0] in "GM")
        state.notes = {name: count for name, count in state.notes.items() if count}
    else:
        state.faults.add(number, indent + 1, shown(line), "a tool (T1), a coordinate (X..Y..) or M30")


def _move(state: _State, line: str, number: int, indent: int) -> None:
    """One coordinate line: a drill hit, a slot (G85) or a routed move."""
    code = re.match(r"G0?([0-3])", line)
    rest = line[code.end():] if code is not None else line
    offset = indent + (code.end() if code is not None else 0)
    if code is not None and code[1] == "0":
        state.routing = True
        state.tool_down = False
    before, cut, after = rest.partition("G85")
    start = state.x, state.y
    if before and not _go(state, before, number, offset):
        return
    if cut:
        begin = state.x, state.y
        if not _go(state, after, number, offset + len(before) + 3):
            return
        _hit(state, number, offset + 1, begin)
    elif state.routing:
        if state.tool_down and code is not None and code[1] in "23" and before:
            state.notes["arc cuts"] = state.notes.get("arc cuts", 0) + 1
        elif state.tool_down and before:
            _hit(state, number, offset + 1, start)
    elif before:
        _hit(state, number, offset + 1, None)


def _go(state: _State, text: str, number: int, offset: int) -> bool:
    """Move to a coordinate; says whether it could be read."""
    place, found = 0, {}
    for match in COORDINATE.finditer(text):
        if match.start() != place or not (match[3] or match[5]):
            break
        found[match[1]] = _value(state, match)
        place = match.end()
    rest = text[place:]
    if not found or (rest and not re.fullmatch(r"([AIJ][+-]?[\d.]+)+", rest)):
        state.faults.add(number, offset + place + 1, shown(rest) if rest else "nothing",
                         "a coordinate such as X1.5Y-2.0")
        return False
    base_x, base_y = (state.x, state.y) if state.incremental else (0.0, 0.0)
    if "X" in found:
        state.x = base_x + found["X"]
    if "Y" in found:
        state.y = base_y + found["Y"]
    return True


def _value(state: _State, match: re.Match[str]) -> float:
    """A number with its decimal point, or by the zero rule and the digits of the format."""
    sign = -1.0 if match[2] == "-" else 1.0
    if match[4]:
        return sign * float(f"{match[3] or '0'}.{match[5] or '0'}")
    whole, decimals = state.digits or DEFAULT_DIGITS[state.unit.value]
    state.whole = True
    state.short |= len(match[3]) < whole + decimals
    text = match[3].ljust(whole + decimals, "0") if state.zeros == "leading" else match[3]
    return sign * int(text) / 10.0**decimals


def _hit(state: _State, number: int, column: int, begin: tuple[float, float] | None) -> None:
    if state.tool is None:
        state.faults.add(number, column, "a hole without a tool", "a tool selected before (T1)")
        state.tool = _Tool(1.0, None, "")
    tool = state.tool
    plated = state.body_plated if state.body_plated is not None and tool.purpose == "" else tool.plated
    if plated is None and not state.mixed:
        plated = state.plated
    source = Source(state.faults.file, number, column)
    x, y = (state.x, state.y) if begin is None else begin
    end = None if begin is None or begin == (state.x, state.y) else (state.x, state.y)
    state.holes.append(Hole(x, y, tool.diameter, plated, tool.purpose, source, end))


def _repeat(state: _State, line: str, number: int, indent: int) -> None:
    """`R5X2.54`: the last hole five times more, each moved by the step."""
    match = re.match(r"R(\d+)", line)
    assert match is not None
    steps = {m[1]: _value(state, m) for m in COORDINATE.finditer(line[match.end():]) if m[3] or m[5]}
    if not steps or not state.holes or int(match[1]) > 10_000:
        state.faults.add(number, indent + match.end() + 1, shown(line), "a hole before it and a step such as R5X2.54")
        return
    for _ in range(int(match[1])):
        state.x += steps.get("X", 0.0)
        state.y += steps.get("Y", 0.0)
        _hit(state, number, indent + 1, None)
