"""From measured numbers to verdicts and the next adjustment."""
