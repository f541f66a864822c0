"""A small station and family as a person would write them: the texts and a function that writes them."""

from __future__ import annotations

from pathlib import Path

STATION = """\
name = "bench"
mm_per_px = 0.025
files = "{serial}_{view}_{exposure}.png"
black_level = 6.0
cross_talk = [[0.96, 0.03, 0.01], [0.03, 0.94, 0.03], [0.01, 0.04, 0.95]]

[[lights]]
name = "high"
exposure = "a"
channel = "blue"
zenith_deg = [8, 24]

[[lights]]
name = "middle"
exposure = "a"
channel = "green"
zenith_deg = [30, 50]

[[lights]]
name = "low"
exposure = "a"
channel = "red"
zenith_deg = [58, 80]
azimuth_deg = [0, 360]
"""

FAMILY = """\
name = "bench-4"
workmanship_class = 2
joints = "joints.csv"
chips = "chips.csv"
seen_from = "bottom"

[[fiducials]]
x_mm = 1.0
y_mm = 1.0
diameter_mm = 1.0

[[fiducials]]
x_mm = 15.0
y_mm = 9.0
diameter_mm = 1.0

[[fiducials]]
x_mm = 15.0
y_mm = 1.0
diameter_mm = 1.0

[[views]]
name = "v1"
center_mm = [8.0, 5.0]
"""

JOINTS = """\
ref,pin,x_mm,y_mm,land_shape,land_w_mm,land_h_mm,land_rotation_deg,hole_mm,lead_shape,lead_w_mm,lead_h_mm,net,pot,nozzle,step
J1,1,4.0,5.0,round,1.8,1.8,0,1.15,square,0.64,0.64,GND,P1,N4,S1
J1,2,6.54,5.0,round,1.8,1.8,0,1.15,square,0.64,0.64,VCC,P1,N4,S1
C1,1,9.5,5.0,oblong,2.4,1.6,90,0.9,round,0.6,0.6,,,,
C1,2,12.0,5.0,rect,2.0,2.0,45,0.9,rect,0.7,0.3,,,,
"""

CHIPS = """\
ref,x_mm,y_mm,rotation_deg,body_w_mm,body_h_mm
R1,8.0,8.0,90,1.6,0.8
"""


def write_setup(folder: Path, station: str = STATION, family: str = FAMILY, joints: str = JOINTS,
                chips: str = CHIPS) -> Path:
    """Write the four files into a folder and return it."""
    for name, text in (("station.toml", station), ("family.toml", family), ("joints.csv", joints),
                       ("chips.csv", chips)):
        (folder / name).write_text(text, encoding="utf-8")
    return folder
