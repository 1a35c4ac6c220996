"""The panel: what the meter shows, lights and sounds as pure functions, and the one seam to its hardware."""
