"""One board's pictures in, one inspection out: measuring and judging, no database and no printing."""
