"""The rig as data: its file, its names, its picture."""
