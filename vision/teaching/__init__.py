"""Teaching a board family: rendered boards with exact truth in, a limit sheet out."""

from vision.teaching.lots import TrainingTables, training_tables
from vision.teaching.spread import Spread, spreads
from vision.teaching.teach import teach
from vision.teaching.truth import Truth, TruthRow, labelled, outcomes, read_truth

__all__ = ["Spread", "TrainingTables", "Truth", "TruthRow", "labelled", "outcomes", "read_truth", "spreads", "teach",
           "training_tables"]
