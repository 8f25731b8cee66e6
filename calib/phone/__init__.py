"""The phone page of ``rigtrue shoot``: a small server on the local network. Nothing below imports it."""
