"""How to shoot: where tags, board and camera go, and how well such a shoot would measure."""
