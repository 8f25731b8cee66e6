"""Everything up to numbers from pixels: printed targets, photo reading, corner finding."""
