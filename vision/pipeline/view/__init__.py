"""One view: its pictures, where the board lies in them, and every joint unwrapped round its hole."""
