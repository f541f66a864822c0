"""Tables of named measurements in, limit sheets and proofs out. Knows no pictures."""
