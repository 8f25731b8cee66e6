"""Everything after the pixels: rig, linkage, estimate, comparison, adjustment, report."""
