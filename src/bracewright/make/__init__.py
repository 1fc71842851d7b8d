"""From a cabinet to drawings, coordinates and cut files."""
