"""Where every part goes as a lever moves, and what the wheels do."""
