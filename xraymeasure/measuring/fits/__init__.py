"""How a film and its reading are prepared: outlines, rims, scales, and what is chosen of them."""
