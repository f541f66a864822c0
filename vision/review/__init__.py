"""The reviewer's page and the repair sheet: what people decide and mend, and how it goes back into the records.

Nothing here is imported by other rooms but `vision.cli`. The web framework is an extra (`review`); deciding,
planning repairs and making samples work without it.
"""
