"""From records to statements: yield, charts, drift, and what to look at first."""
