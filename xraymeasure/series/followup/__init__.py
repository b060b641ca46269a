"""One hip over its films: changes, table and page."""
