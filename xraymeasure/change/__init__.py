"""What changed in one hip between two films, and how alike the films lie."""
