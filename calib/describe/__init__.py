"""Describing a rig by answering questions: one table of them, for the terminal and for the sheet of paper."""
