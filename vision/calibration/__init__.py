"""What the station really is: measured from pictures of a mirror ball and of a plane, written down, checked again."""
