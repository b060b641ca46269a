"""How well repeated readings agree: statistics, table and page."""
