"""Pages and pictures about a graded lot that can be handed to someone who has nothing but a browser."""

from vision.report.board_map import board_map
from vision.report.page import LotReport, Place, report_html, worst_places
from vision.report.pictures import place_pictures

__all__ = ["LotReport", "Place", "board_map", "place_pictures", "report_html", "worst_places"]
