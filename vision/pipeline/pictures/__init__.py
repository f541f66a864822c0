"""What a person sees: board overlays and sheets of single joints."""
