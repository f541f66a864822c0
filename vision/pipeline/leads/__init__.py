"""Is a lead's end seen, where and how large."""
