"""An invented board and writers of its CAD files, by hand from the published layouts of the formats.

No code of the project is used to write: reading these back proves something.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class Pin:
    ref: str
    pin: str
    net: str
    x: float
    y: float
    land: tuple[str, float, float]  # round, oblong or rect; width, height
    hole: float = 0.0
    side: str = "both"  # both, top or bottom


@dataclass
class Board:
    pins: list[Pin] = field(default_factory=list)
    vias: list[tuple[float, float, str]] = field(default_factory=list)
    screws: list[tuple[float, float, float]] = field(default_factory=list)
    parts: list[tuple[str, str, str, float, float, float, str]] = field(default_factory=list)
    fiducials: list[tuple[float, float]] = field(default_factory=list)

    @property
    def through(self) -> list[Pin]:
        return [pin for pin in self.pins if pin.hole]


def header(board: Board, ref: str, x: float, y: float, columns: int, rows: int = 1, pitch: float = 2.54,
           land: float = 1.7, hole: float = 1.0) -> None:
    for number in range(columns * rows):
        column, row = divmod(number, rows)
        shape = "rect" if number == 0 else "round"
        board.pins.append(Pin(ref, str(number + 1), f"{ref}_N{number + 1}" if number else "GND",
                              round(x + column * pitch, 4), round(y + row * pitch, 4), (shape, land, land), hole))
    board.parts.append((ref, f"HDR{rows}x{columns}", f"PinHeader_{rows}x{columns:02d}", x + (columns - 1) * pitch / 2,
                        y + (rows - 1) * pitch / 2, 0.0, "top"))


def chip(board: Board, ref: str, x: float, y: float, rotation: int, side: str = "bottom") -> None:
    offsets = {0: ((-0.95, 0.0), (0.95, 0.0)), 90: ((0.0, -0.95), (0.0, 0.95))}[rotation]
    for number, (dx, dy) in enumerate(offsets, start=1):
        size = (1.0, 1.3) if rotation == 0 else (1.3, 1.0)
        board.pins.append(Pin(ref, str(number), "GND" if number == 1 else f"{ref}_A", round(x + dx, 4),
                              round(y + dy, 4), ("rect", *size), 0.0, side))
    board.parts.append((ref, "10k", "R_0805_2012Metric", x, y, float(rotation), side))


def small_board() -> Board:
    """24 joints: two headers, a relay with oblong lands, a radial capacitor; chips, vias, screw holes, marks."""
    board = Board()
    header(board, "J1", 10.0, 8.0, 8)
    header(board, "J2", 40.0, 9.0, 5, 2)
    for number, (dx, dy) in enumerate(((0, 0), (0, 7.5), (15, 0), (15, 7.5)), start=1):
        board.pins.append(Pin("K1", f"A{number}", f"COIL{number}", 20.0 + dx, 22.0 + dy, ("oblong", 3.0, 2.0), 1.3))
    board.parts.append(("K1", "RELAY", "Relay_Invented_4P", 27.5, 25.75, 0.0, "top"))
    for number, dx in enumerate((0.0, 5.0), start=1):
        board.pins.append(Pin("C1", str(number), ("GND", "VIN")[number - 1], 48.0 + dx, 28.0, ("round", 2.0, 2.0), 0.9))
    board.parts.append(("C1", "470u", "CapRadial_D10_P5", 50.5, 28.0, 0.0, "top"))
    for number, (x, y, turn) in enumerate(((14.0, 11.0, 0), (20.0, 5.5, 0), (46.0, 15.0, 90), (60.0, 34.0, 0)), 1):
        chip(board, f"R{number}", x, y, turn)
    chip(board, "R9", 30.0, 14.0, 0, "top")
    board.vias = [(15.0, 14.0, "GND"), (33.0, 18.0, "VIN"), (36.5, 31.0, "GND")]
    board.screws = [(4.0, 4.0, 3.2), (66.0, 36.0, 3.2)]
    board.fiducials = [(4.0, 20.0), (64.0, 6.0), (56.0, 37.0)]
    return board


def large_board(joints: int = 300) -> Board:
    """A board of about so many joints in headers of ten, 150 mm wide."""
    board = Board()
    for number in range((joints + 9) // 10):
        column, row = number % 5, number // 5
        header(board, f"J{number + 1}", 6.0 + column * 29.3, 6.0 + row * 11.7, 10)
    board.vias = [(8.0 + 3.1 * k, 11.0 + 11.7 * (k % 4), "GND") for k in range(40)]
    board.fiducials = [(3.0, 2.0), (75.0, 2.0), (148.0, 2.0), (3.0, 74.0), (148.0, 71.0)]
    return board


def netlist(board: Board, unit: str = "mm", *, long_name: str = "", units_line: bool = True, mask_column: int = 73,
            end: bool = True) -> str:
    """IPC-D-356A, column by column."""
    count = 1000.0 if unit == "mm" else 10000.0 / 25.4
    lines = ["C  invented board", "P  JOB   INVENTED", "P  IMAGE PRIMARY"]
    if units_line:
        lines.append("P  UNITS CUST " + ("1" if unit == "mm" else "0"))
    if long_name:
        lines.append(f"P  NNAME1  {long_name}")

    def record(code: str, net: str, ref: str, pin: str, hole: float, plated: str, access: str, x: float, y: float,
               width: float, height: float) -> str:
        drill = f"D{round(hole * count):04d}{plated}" if hole else "      "
        text = (f"{code}{net[:14]:<14}   {ref[:6]:<6}-{pin[:4]:<4} {drill}A{access}"
                f"X{round(x * count):+07d}Y{round(y * count):+07d}X{round(width * count):04d}"
                f"Y{round(height * count):04d}R000")
        return f"{text:<{mask_column - 1}}S0"

    for item in board.pins:
        shape, width, height = item.land
        access = {"both": "00", "top": "01", "bottom": "02"}[item.side]
        net = "NNAME1" if long_name and item.net == "GND" else item.net
        lines.append(record("317" if item.hole else "327", net, item.ref, item.pin, item.hole, "P", access, item.x,
                            item.y, width, 0.0 if shape == "round" else height))
    for x, y, net in board.vias:
        lines.append(record("317", net, "VIA", "", 0.3, "P", "00", x, y, 0.6, 0.0))
    for number, (x, y, size) in enumerate(board.screws, start=1):
        lines.append(record("367", "N/C", f"MH{number}", "", size, "U", "00", x, y, size, 0.0))
    for number, (x, y) in enumerate(board.fiducials, start=1):
        lines.append(record("327", "N/C", f"FID{number}", "1", 0.0, "", "02", x, y, 1.0, 0.0))
    return "\n".join(lines + (["999"] if end else [])) + "\n"


def excellon(board: Board, unit: str = "mm", *, zeros: str = "", plated: str = "type", dx: float = 0.0,
             mirror: bool = False, unit_line: bool = True) -> str:
    """Excellon; `zeros` LZ, TZ or empty for decimal points; `plated` type, x2 or none."""
    scale = 1.0 if unit == "mm" else 1.0 / 25.4
    whole, decimals = (3, 3) if unit == "mm" else (2, 4)
    holes: dict[tuple[str, float], list[tuple[float, float]]] = {}
    for item in board.through:
        holes.setdefault(("PLATED", item.hole), []).append((item.x, item.y))
    for x, y, _ in board.vias:
        holes.setdefault(("PLATED", 0.3), []).append((x, y))
    for x, y, size in board.screws:
        holes.setdefault(("NON_PLATED", size), []).append((x, y))

    def number(value: float) -> str:
        value *= scale
        if not zeros:
            return f"{value:.4f}"
        digits = f"{abs(round(value * 10**decimals)):0{whole + decimals}d}"
        digits = digits.rstrip("0") if zeros == "LZ" else digits.lstrip("0")
        return ("-" if value < 0 else "") + (digits or "0")

    lines = ["M48"]
    if plated == "x2":
        lines.append("; #@! TF.FileFunction,MixedPlating,1,2")
    if unit_line:
        lines.append(("METRIC" if unit == "mm" else "INCH") + (f",{zeros}" if zeros else ""))
    for index, (kind, size) in enumerate(holes, start=1):
        if plated == "type":
            lines.append(f";TYPE={kind}")
        elif plated == "x2":
            use = "ViaDrill" if size == 0.3 else "ComponentDrill"
            lines.append(f"; #@! TA.AperFunction,{'Plated,PTH' if kind == 'PLATED' else 'NonPlated,NPTH'},{use}")
        lines.append(f"T{index}C{size * scale:.4f}")
    lines += ["%", "G90", "G05"]
    for index, places in enumerate(holes.values(), start=1):
        lines.append(f"T{index}")
        lines += [f"X{number((-x if mirror else x) + dx)}Y{number(y)}" for x, y in places]
    return "\n".join([*lines, "T0", "M30"]) + "\n"


def copper(board: Board, side: str = "bottom", *, comments: bool = False) -> str:
    """Gerber X2 with pin, net and component attributes; as structured comments when asked for."""
    function = "Copper,L2,Bot" if side == "bottom" else "Copper,L1,Top"

    def attribute(text: str) -> str:
        return f"G04 #@! {text}*" if comments else f"%{text}*%"

    lines = [attribute(f"TF.FileFunction,{function}"), "%FSLAX46Y46*%", "%MOMM*%", "%LPD*%", "G01*"]
    flashes: list[tuple[tuple[str, str, float, float], Pin | None, float, float]] = []
    for item in board.pins:
        if item.side in ("both", side):
            flashes.append((("ComponentPad" if item.hole else "SMDPad,CuDef", *item.land), item, item.x, item.y))
    flashes += [(("ViaPad", "round", 0.6, 0.6), None, x, y) for x, y, _ in board.vias]
    if side == "bottom":
        flashes += [(("FiducialPad,Local", "round", 1.0, 1.0), None, x, y) for x, y in board.fiducials]
    apertures = {key: 10 + k for k, key in enumerate(dict.fromkeys(flash[0] for flash in flashes))}
    for (use, shape, width, height), code in apertures.items():
        form = {"round": f"C,{width:.6f}", "rect": f"R,{width:.6f}X{height:.6f}",
                "oblong": f"O,{width:.6f}X{height:.6f}"}[shape]
        lines += [attribute(f"TA.AperFunction,{use}"), f"%ADD{code}{form}*%", attribute("TD")]
    for key, item, x, y in flashes:
        lines.append(f"D{apertures[key]}*")
        if item is not None:
            lines += [attribute(f"TO.P,{item.ref},{item.pin}"), attribute(f"TO.N,{item.net}")]
        lines += [f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*", attribute("TD")]
    return "\n".join([*lines, "M02*"]) + "\n"


def placement(board: Board, style: str = "plain", *, mirror_bottom: bool = False) -> str:
    """A placement table in one of the common column sets."""
    rows = [(ref, value, package, -x if mirror_bottom and side == "bottom" else x, y, turn, side)
            for ref, value, package, x, y, turn, side in board.parts]
    if style == "plain":
        lines = ["Ref,Val,Package,PosX,PosY,Rot,Side"]
        lines += [f'"{r}","{v}","{p}",{x:.4f},{y:.4f},{t:.1f},{s}' for r, v, p, x, y, t, s in rows]
    elif style == "mil":
        lines = ["Designator,Footprint,Mid X,Mid Y,Ref X,Ref Y,Pad X,Pad Y,Layer,Rotation,Comment"]
        lines += [f"{r},{p},{x / 0.0254:.2f}mil,{y / 0.0254:.2f}mil,0mil,0mil,0mil,0mil,{s[0].upper()},{t:.2f},{v}"
                  for r, v, p, x, y, t, s in rows]
    elif style == "heading":
        lines = ['"Designator";"Comment";"Layer";"Footprint";"Center-X(mm)";"Center-Y(mm)";"Rotation";"Description"']
        lines += [f"{r};{v};{'TopLayer' if s == 'top' else 'BottomLayer'};{p};{x:.3f};{y:.3f};{t:.0f};none".replace(
            ".", ",") for r, v, p, x, y, t, s in rows]
    else:
        lines = ["RefDes\tLayer\tLocationX\tLocationY\tRotation"]
        lines += [f"{r}\t{s}\t{x:.4f}\t{y:.4f}\t{t:.0f}" for r, _, _, x, y, t, s in rows]
    return "\n".join(lines) + "\n"


def write_all(board: Board, folder: Path) -> Path:
    """Write a full set of files as a layout program would."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {"board.ipc": netlist(board), "board.drl": excellon(board), "bottom.gbr": copper(board),
                       "placement.csv": placement(board)}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder
