"""What light tells of a place: slope, dark, bare, print; and how strong each light is."""
