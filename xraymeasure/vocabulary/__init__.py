"""The words of the trade: landmarks, measured quantities, and how numbers are written."""
