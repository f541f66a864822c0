"""What is known before a picture is taken: the station, the board family, and how board maps to picture."""

from models.errors import InputError, MeniscopeError, Problem
from models.vocabulary import (
    CHIP_FINDINGS,
    CHIP_MEASURES,
    FINDING,
    FINDINGS,
    JOINT_FINDINGS,
    JOINT_MEASURES,
    MEASURE,
    MEASURES,
    Finding,
    Measure,
)
from vision.setup._reading import read_rows
from vision.setup.family import (
    Chip,
    Family,
    Fiducial,
    Joint,
    View,
    read_family,
    write_family,
)
from vision.setup.geometry import (
    Similarity,
    joint_columns,
    nominal_view,
    view_size_px,
)
from vision.setup.station import Light, Station, read_station, write_station
from vision.setup.suits import cautions

__all__ = [
    "CHIP_FINDINGS", "CHIP_MEASURES", "FINDING", "FINDINGS", "JOINT_FINDINGS", "JOINT_MEASURES", "MEASURE",
    "MEASURES", "Chip", "Family", "Fiducial", "Finding", "InputError", "Joint", "Light", "Measure",
    "MeniscopeError", "Problem", "Similarity", "Station", "View", "cautions", "joint_columns", "nominal_view",
    "read_family", "read_rows", "read_station", "view_size_px", "write_family", "write_station",
]
