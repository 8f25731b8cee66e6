"""Small wrong changes made to the code on purpose: each must be caught by a test (see ``__main__``)."""
