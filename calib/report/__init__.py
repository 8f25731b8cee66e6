"""The result folder and everything drawn or written into it."""
