"""One film on the screen, the reading that is being made of it, and its numbers; no window here."""
