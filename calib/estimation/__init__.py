"""From corners in photos to the rig as built: one bundle adjustment."""
